package pipeline

// Names of log events. They are stable: alerts may be set on them.
const (
	EventRunStarted      = "run-started"
	EventRunEnded        = "run-ended"
	EventFrameDone       = "frame-done"
	EventFrameFailed     = "frame-failed"
	EventFrameSkipped    = "frame-skipped"
	EventFrameWarning    = "frame-warning"
	EventMasterBuilt     = "master-built"
	EventMasterUnchanged = "master-unchanged"
	EventMasterFailed    = "master-failed"
	EventMasterWarning   = "master-warning"
	EventMasterUnread    = "master-unreadable"
	EventDecisionTorn    = "decision-torn"
	EventCubeDone        = "cube-done"
	EventCubeFailed      = "cube-failed"
	EventCubeWarning     = "cube-warning"
	EventPictureDone     = "picture-done"
	EventPictureFailed   = "picture-failed"
	EventPictureWarning  = "picture-warning"
	EventSensorMeasured  = "sensor-measured"
	EventSensorFailed    = "sensor-failed"
	EventSensorFinding   = "sensor-finding"
)
