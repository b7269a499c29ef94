package configs

// Stages of the calibration, by name.
const (
	StageFrame      = "frame"      // shape, keywords, missing samples
	StageDecompand  = "decompand"  // transmitted codes to DN
	StageSaturation = "saturation" // flags of saturated samples
	StageOffset     = "offset"     // electronic offset, from the overscan
	StageBias       = "bias"       // fixed pattern of the offset
	StageLinearity  = "linearity"  // straightening of the response
	StageGain       = "gain"       // DN to electrons
	StageResidual   = "residual"   // residual image of the frame before
	StageSmear      = "smear"      // charge gathered while the image is shifted
	StagePace       = "pace"       // flags of a line scanner out of pace with the ground
	StageNoise      = "noise"      // shot noise of the charge collected
	StageDark       = "dark"       // dark current
	StageFlat       = "flat"       // flat field
	StageRadiance   = "radiance"   // electrons to the output quantity
	StageBadPixels  = "bad_pixels" // flags of bad pixels
	StageHits       = "hits"       // flags of cosmic-ray hits
	StageFill       = "fill"       // filling in of pixels from their neighbours
)

// Stages gives the names of all stages in the order in which a frame passes
// them.
func Stages() []string {
	return []string{
		StageFrame, StageDecompand, StageSaturation, StageOffset, StageBias, StageLinearity, StageGain,
		StageDark, StageResidual, StageSmear, StageFlat, StageNoise, StageRadiance, StageBadPixels, StagePace,
		StageHits, StageFill,
	}
}

// SwitchableStages gives the names, in order, of the stages that a profile may
// switch off. The others hold the units and the uncertainties together.
func SwitchableStages() []string {
	return []string{StageOffset, StageBias, StageLinearity, StageDark, StageResidual, StageSmear, StageFlat, StageBadPixels, StageHits, StageFill}
}

// StageOn tells whether the profile leaves a stage switched on.
func (p *Profile) StageOn(stage string) bool {
	for _, off := range p.StagesOff {
		if off == stage {
			return false
		}
	}
	return true
}
