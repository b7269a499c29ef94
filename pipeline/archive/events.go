package archive

// Names of log events besides those of package pipeline. They are stable.
const (
	EventPassStarted    = "pass-started"
	EventPassEnded      = "pass-ended"
	EventPassStopped    = "pass-stopped"
	EventPassBusy       = "pass-busy"
	EventFrameWaiting   = "frame-waiting"
	EventFrameKnown     = "frame-known"
	EventFrameAdopted   = "product-adopted"
	EventFrameUnread    = "frame-unreadable"
	EventQuarantined    = "frame-quarantined"
	EventReturned       = "frame-returned"
	EventSourceMissing  = "source-missing"
	EventFolderUnread   = "folder-unreadable"
	EventQuarantineOdd  = "quarantine-problem"
	EventPassFailed     = "pass-failed"
	EventServiceReady   = "service-ready"
	EventServiceStopped = "service-stopped"
	EventMetricsFailed  = "metrics-failed"
	EventRebuilt        = "ledger-rebuilt"
	EventRebuildSkipped = "rebuild-skipped"
)
