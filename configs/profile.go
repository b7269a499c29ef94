// Package configs holds instrument profiles, what the pipeline must know about
// a camera before it can turn the camera's numbers into light; and archive
// files, which say where the files of an archive lie and how it is kept
// ([LoadArchive]).
//
// A profile is a YAML file. Everything that differs between two framing
// cameras is in it, so a camera that the software has never met is brought in
// by writing a profile and nothing else. [Load] reads one strictly: a key that
// is unknown, a value that is impossible or a region that overlaps another is
// an error that names the file, the line and the remedy.
//
// Pixel coordinates in a profile follow the FITS Standard 4.0: the first
// column and the first row are number 1, and ranges include both ends.
package configs

// Profile describes one camera.
type Profile struct {
	// Format is the version of the profile format itself; this software
	// reads format 1.
	Format int `mapstructure:"format" yaml:"format" json:"format"`
	// Instrument is the name that frames, masters and products carry.
	Instrument  string `mapstructure:"instrument" yaml:"instrument" json:"instrument"`
	Description string `mapstructure:"description" yaml:"description,omitempty" json:"description,omitempty"`

	Keywords   Keywords   `mapstructure:"keywords" yaml:"keywords" json:"keywords"`
	FrameKinds []KindRule `mapstructure:"frame_kinds" yaml:"frame_kinds" json:"frame_kinds"`
	Detectors  []Detector `mapstructure:"detectors" yaml:"detectors" json:"detectors"`
	Bands      []Band     `mapstructure:"bands" yaml:"bands" json:"bands"`

	Stack  *Stack  `mapstructure:"stack" yaml:"stack,omitempty" json:"stack,omitempty"`
	Stereo *Stereo `mapstructure:"stereo" yaml:"stereo,omitempty" json:"stereo,omitempty"`
	Motion *Motion `mapstructure:"motion" yaml:"motion,omitempty" json:"motion,omitempty"` // of the ground over strips of filters

	// StagesOff names the stages that are switched off for this camera.
	StagesOff []string  `mapstructure:"stages_off" yaml:"stages_off,omitempty" json:"stages_off,omitempty"`
	Masters   Masters   `mapstructure:"masters" yaml:"masters" json:"masters"`
	Selection Selection `mapstructure:"selection" yaml:"selection" json:"selection"`
	Output    Output    `mapstructure:"output" yaml:"output" json:"output"`
}

// Keywords maps the camera's own header keywords to the quantities of the
// measurement model. A field that the camera lacks stays out of the profile.
type Keywords struct {
	ExposureS     Quantity  `mapstructure:"exposure_s" yaml:"exposure_s,omitempty" json:"exposure_s,omitzero"`                    // s; a line scanner has line_time_s and charge_stages instead
	WaitS         *Quantity `mapstructure:"wait_s" yaml:"wait_s,omitempty" json:"wait_s,omitempty"`                               // s that the pixel goes on collecting dark charge after the exposure
	TemperatureK  *Quantity `mapstructure:"temperature_k" yaml:"temperature_k,omitempty" json:"temperature_k,omitempty"`          // detector temperature, K
	SunDistanceAU *Quantity `mapstructure:"sun_distance_au" yaml:"sun_distance_au,omitempty" json:"sun_distance_au,omitempty"`    // target to Sun, au
	LineTimeS     *Quantity `mapstructure:"line_time_s" yaml:"line_time_s,omitempty" json:"line_time_s,omitempty"`                // s from line to line of a line scanner
	ChargeStages  *Quantity `mapstructure:"charge_stages" yaml:"charge_stages,omitempty" json:"charge_stages,omitempty"`          // number of lines that a line scanner steps its charge through; part of the mode
	Binning       *Quantity `mapstructure:"binning" yaml:"binning,omitempty" json:"binning,omitempty"`                            // of a line scanner, columns and lines alike; part of the mode
	GroundSpeedMS *Quantity `mapstructure:"ground_speed_m_s" yaml:"ground_speed_m_s,omitempty" json:"ground_speed_m_s,omitempty"` // speed over the ground, m/s
	FootprintM    *Quantity `mapstructure:"footprint_m" yaml:"footprint_m,omitempty" json:"footprint_m,omitempty"`                // distance of neighbouring pixels on the ground, m
	Time          TimeKey   `mapstructure:"time" yaml:"time" json:"time"`                                                         // start of the exposure, UTC
	Band          *Word     `mapstructure:"band" yaml:"band,omitempty" json:"band,omitempty"`                                     // one of Bands by name; absent: the camera has one band
	Mode          *Word     `mapstructure:"mode" yaml:"mode,omitempty" json:"mode,omitempty"`                                     // readout mode; frames of unlike mode are never mixed
	Target        *Word     `mapstructure:"target" yaml:"target,omitempty" json:"target,omitempty"`                               // what was looked at, for people
}

// Quantity reads one physical number from a header.
type Quantity struct {
	Key string `mapstructure:"key" yaml:"key,omitempty" json:"key,omitempty"`
	// Unit is the unit of the number in the header. Times: s, ms, us, min.
	// Temperatures: K, degC, degF. Distances to the Sun: au, km, m. Lengths on
	// the ground: m, km, cm. Speeds: m/s, km/s. Counts: count, or left out.
	Unit string `mapstructure:"unit" yaml:"unit,omitempty" json:"unit,omitempty"`
	// Default is used, in our own unit (s, K, au, m, m/s), where a header has no such key.
	Default *float64 `mapstructure:"default" yaml:"default,omitempty" json:"default,omitempty"`
	// Words translates coded words to numbers in our own unit; a value that
	// is not listed is then read as a number.
	Words []NumberWord `mapstructure:"words" yaml:"words,omitempty" json:"words,omitempty"`
}

// NumberWord gives the number that a coded word stands for.
type NumberWord struct {
	Raw string  `mapstructure:"raw" yaml:"raw" json:"raw"`
	Is  float64 `mapstructure:"is" yaml:"is" json:"is"`
}

// TimeKey reads the time at which an exposure began.
type TimeKey struct {
	Key string `mapstructure:"key" yaml:"key" json:"key"`
	// Form is iso8601 (FITS Standard 4.0, 9.1.1), unix_s, unix_ms, jd or mjd.
	Form string `mapstructure:"form" yaml:"form" json:"form"`
}

// Word reads a name from a header.
type Word struct {
	Key string `mapstructure:"key" yaml:"key,omitempty" json:"key,omitempty"`
	// Words translates coded values; when it is empty the header's value is
	// taken as it is. A value that is not listed is an error, except for the
	// target, which is for people only and then taken as it is.
	Words   []NameWord `mapstructure:"words" yaml:"words,omitempty" json:"words,omitempty"`
	Default string     `mapstructure:"default" yaml:"default,omitempty" json:"default,omitempty"`
}

// NameWord gives the name that a coded value stands for.
type NameWord struct {
	Raw string `mapstructure:"raw" yaml:"raw" json:"raw"`
	Is  string `mapstructure:"is" yaml:"is" json:"is"`
}

// Kinds of frame that a KindRule can name.
const (
	KindBias   = "bias"   // zero exposure
	KindDark   = "dark"   // exposed without light
	KindFlat   = "flat"   // evenly lit
	KindLadder = "ladder" // evenly lit by a steady lamp, over many exposure times
	KindScene  = "scene"  // the target
	KindIgnore = "ignore" // known, and not for this pipeline
)

// KindRule tells what kind a frame is. The rules are tried in order and the
// first whose tests all hold decides; a frame that no rule fits is refused.
type KindRule struct {
	Kind string    `mapstructure:"kind" yaml:"kind" json:"kind"`
	When []KeyTest `mapstructure:"when" yaml:"when,omitempty" json:"when,omitempty"`
}

// KeyTest is one test of a header keyword. Exactly one of the tests is set.
type KeyTest struct {
	Key     string   `mapstructure:"key" yaml:"key" json:"key"`
	Equals  string   `mapstructure:"equals" yaml:"equals,omitempty" json:"equals,omitempty"`    // as text, blanks at the ends and case ignored; numbers are compared as numbers
	OneOf   []string `mapstructure:"one_of" yaml:"one_of,omitempty" json:"one_of,omitempty"`    // any of these, compared as above
	Above   *float64 `mapstructure:"above" yaml:"above,omitempty" json:"above,omitempty"`       // a number greater than this
	Below   *float64 `mapstructure:"below" yaml:"below,omitempty" json:"below,omitempty"`       // a number smaller than this
	Present *bool    `mapstructure:"present" yaml:"present,omitempty" json:"present,omitempty"` // the key is there (true) or not (false)
}

// Region is a rectangle of pixels; both ends count, the first pixel is 1.
type Region struct {
	Columns [2]int `mapstructure:"columns" yaml:"columns,flow" json:"columns"`
	Rows    [2]int `mapstructure:"rows" yaml:"rows,flow" json:"rows"`
}

// Detector is one chip of the camera and where a file keeps its samples.
type Detector struct {
	Name string `mapstructure:"name" yaml:"name" json:"name"`
	// HDU says where the samples are: a number (0 is the primary), an
	// EXTNAME, or EXTNAME,EXTVER. Empty: the first HDU that holds an image.
	HDU   string `mapstructure:"hdu" yaml:"hdu,omitempty" json:"hdu,omitempty"`
	Plane int    `mapstructure:"plane" yaml:"plane,omitempty" json:"plane,omitempty"` // plane of a cube, from 1, that is this detector's; 0: each plane is a frame of its own
	// Band is the band that this detector always sees, in a camera whose
	// detectors differ in that; empty: keywords.band tells, or mosaic, strips
	// or stack.
	Band   string `mapstructure:"band" yaml:"band,omitempty" json:"band,omitempty"`
	Width  int    `mapstructure:"width" yaml:"width" json:"width"`    // columns of the raw frame, overscan included
	Height int    `mapstructure:"height" yaml:"height" json:"height"` // rows of the raw frame
	// ADCBits is the width of the converter; raw samples above 2^bits-1 are refused.
	ADCBits int `mapstructure:"adc_bits" yaml:"adc_bits" json:"adc_bits"`
	// FillDN is the raw value that marks a sample that never arrived.
	FillDN *float64 `mapstructure:"fill_dn" yaml:"fill_dn,omitempty" json:"fill_dn,omitempty"`
	// Image is the part of the raw frame that products keep (the trim).
	Image Region `mapstructure:"image" yaml:"image" json:"image"`
	// Reference is the region, in raw coordinates, over which flats have mean 1.
	Reference  Region      `mapstructure:"reference" yaml:"reference" json:"reference"`
	Amplifiers []Amplifier `mapstructure:"amplifiers" yaml:"amplifiers" json:"amplifiers"`
	Offset     Offset      `mapstructure:"offset" yaml:"offset" json:"offset"`
	Saturation Saturation  `mapstructure:"saturation" yaml:"saturation" json:"saturation"`
	Linearity  Linearity   `mapstructure:"linearity" yaml:"linearity" json:"linearity"`
	Dark       Dark        `mapstructure:"dark" yaml:"dark" json:"dark"`
	BadPixels  BadPixels   `mapstructure:"bad_pixels" yaml:"bad_pixels" json:"bad_pixels"`

	Characterised *Characterised `mapstructure:"characterised" yaml:"characterised,omitempty" json:"characterised,omitempty"` // the measured sensor, in place of nominal values

	// What particular kinds of sensor have besides; absent where a camera
	// does not.
	Mosaic       *Mosaic       `mapstructure:"mosaic" yaml:"mosaic,omitempty" json:"mosaic,omitempty"`
	Strips       []Strip       `mapstructure:"strips" yaml:"strips,omitempty" json:"strips,omitempty"`
	Rolling      *Rolling      `mapstructure:"rolling" yaml:"rolling,omitempty" json:"rolling,omitempty"`
	Smear        *Smear        `mapstructure:"smear" yaml:"smear,omitempty" json:"smear,omitempty"`
	Decompanding *Decompanding `mapstructure:"decompanding" yaml:"decompanding,omitempty" json:"decompanding,omitempty"`
	LineScan     *LineScan     `mapstructure:"line_scan" yaml:"line_scan,omitempty" json:"line_scan,omitempty"`
	Residual     *Residual     `mapstructure:"residual" yaml:"residual,omitempty" json:"residual,omitempty"`
	Marks        *Marks        `mapstructure:"marks" yaml:"marks,omitempty" json:"marks,omitempty"`

	// Hits says how hits of cosmic rays are told; absent: they are not searched for.
	Hits *Hits `mapstructure:"hits" yaml:"hits,omitempty" json:"hits,omitempty"`

	// Fill says which pixels are filled in from their neighbours; absent: none.
	Fill *Fill `mapstructure:"fill" yaml:"fill,omitempty" json:"fill,omitempty"`
}

// Amplifier is one output of a detector.
type Amplifier struct {
	Name string `mapstructure:"name" yaml:"name" json:"name"`
	// Region is the part of the raw frame that this output reads, its
	// overscan included. The regions of a detector tile it without overlap.
	Region Region `mapstructure:"region" yaml:"region" json:"region"`
	// Overscan is where this output's offset is measured: overscan or masked pixels.
	Overscan          *Region `mapstructure:"overscan" yaml:"overscan,omitempty" json:"overscan,omitempty"`
	GainEPerDN        float64 `mapstructure:"gain_e_per_dn" yaml:"gain_e_per_dn" json:"gain_e_per_dn"`                                                         // g_a
	GainRelUncert     float64 `mapstructure:"gain_relative_uncertainty" yaml:"gain_relative_uncertainty,omitempty" json:"gain_relative_uncertainty,omitempty"` // systematic
	ReadNoiseE        float64 `mapstructure:"read_noise_e" yaml:"read_noise_e" json:"read_noise_e"`                                                            // r_a
	OffsetDN          float64 `mapstructure:"offset_dn" yaml:"offset_dn" json:"offset_dn"`                                                                     // nominal o_a, for QA
	OffsetToleranceDN float64 `mapstructure:"offset_tolerance_dn" yaml:"offset_tolerance_dn,omitempty" json:"offset_tolerance_dn,omitempty"`                   // a warning beyond it; 0: no such warning
	C2                float64 `mapstructure:"c2" yaml:"c2,omitempty" json:"c2,omitempty"`                                                                      // 1/DN, for linearity from the profile
	C3                float64 `mapstructure:"c3" yaml:"c3,omitempty" json:"c3,omitempty"`                                                                      // 1/DN^2
}

// Ways to find the offset o_a(y).
const (
	OffsetOverscan = "overscan" // from each amplifier's overscan (or masked) region
	OffsetBias     = "bias"     // the level that the master bias carries
)

// Offset says how the electronic offset of a row is found.
type Offset struct {
	From string `mapstructure:"from" yaml:"from" json:"from"`
	// SmoothRows is the number of rows, odd, whose overscan is averaged for
	// one row's offset; 1 takes each row alone, 0 one value for the frame.
	SmoothRows int `mapstructure:"smooth_rows" yaml:"smooth_rows" json:"smooth_rows"`
	// RejectSigma is the clipping limit for overscan samples, in robust
	// standard deviations about the median; at least 3.
	RejectSigma float64 `mapstructure:"reject_sigma" yaml:"reject_sigma" json:"reject_sigma"`
}

// Saturation says above what level a sample no longer tells the light. The
// lowest of the limits that are set counts.
type Saturation struct {
	FullWellE   float64 `mapstructure:"full_well_e" yaml:"full_well_e,omitempty" json:"full_well_e,omitempty"` // e-; 0: the converter saturates first
	MarginSigma float64 `mapstructure:"margin_sigma" yaml:"margin_sigma" json:"margin_sigma"`                  // read-noise sigmas below full well at which the flag is set
	LevelDN     float64 `mapstructure:"level_dn" yaml:"level_dn,omitempty" json:"level_dn,omitempty"`          // raw DN; 0: the converter's ceiling
	GrowPixels  int     `mapstructure:"grow_pixels" yaml:"grow_pixels" json:"grow_pixels"`                     // neighbours flagged around a saturated pixel
}

// Ways to know the linearity correction.
const (
	LinearityNone    = "none"    // the response is straight
	LinearityProfile = "profile" // c2 and c3 of the amplifiers
	LinearityLadder  = "ladder"  // measured from an exposure ladder
)

// Linearity says where lin(v) = v + c2 v^2 + c3 v^3 + ... comes from.
type Linearity struct {
	From  string `mapstructure:"from" yaml:"from" json:"from"`
	Order int    `mapstructure:"order" yaml:"order,omitempty" json:"order,omitempty"` // highest power, 2 to 5, for a ladder
	// Zones is the number of zones along columns and rows for each of which
	// a ladder gives a curve of its own, for responses that vary over the
	// detector; between the middles of zones the curves are interpolated.
	// Zero: one curve for each amplifier.
	Zones [2]int  `mapstructure:"zones" yaml:"zones,flow,omitempty" json:"zones,omitzero"`
	MaxDN float64 `mapstructure:"max_dn" yaml:"max_dn,omitempty" json:"max_dn,omitempty"` // DN above offset up to which the correction holds; 0: no limit; a ladder brings its own
}

// Laws for the dark current's dependence on temperature.
const (
	DarkDoubling   = "doubling"   // h(T) = 2^((T-T0)/interval)
	DarkActivation = "activation" // h(T) = exp(-E/k (1/T - 1/T0))
	DarkConstant   = "constant"   // h(T) = 1
)

// Dark describes the dark current's law h(T).
type Dark struct {
	ReferenceK   float64 `mapstructure:"reference_k" yaml:"reference_k" json:"reference_k"` // T0
	Law          string  `mapstructure:"law" yaml:"law" json:"law"`
	IntervalK    float64 `mapstructure:"interval_k" yaml:"interval_k,omitempty" json:"interval_k,omitempty"`                                           // doubling interval
	EnergyEV     float64 `mapstructure:"energy_ev" yaml:"energy_ev,omitempty" json:"energy_ev,omitempty"`                                              // activation energy
	LawRelUncert float64 `mapstructure:"law_relative_uncertainty" yaml:"law_relative_uncertainty,omitempty" json:"law_relative_uncertainty,omitempty"` // of interval_k or energy_ev; systematic
}

// BadPixels holds the limits by which the bad-pixel mask is made.
type BadPixels struct {
	HotEPerS          float64 `mapstructure:"hot_e_per_s" yaml:"hot_e_per_s" json:"hot_e_per_s"`                      // dark current at T0 above which a pixel is hot, e-/s
	UnstableSigma     float64 `mapstructure:"unstable_sigma" yaml:"unstable_sigma" json:"unstable_sigma"`             // scatter over the darks, in units of the expected scatter of that scatter
	DeadBelow         float64 `mapstructure:"dead_below" yaml:"dead_below" json:"dead_below"`                         // flat response, relative, below which a pixel is dead
	LowBelow          float64 `mapstructure:"low_below" yaml:"low_below" json:"low_below"`                            // below which its response is low
	NonlinearFraction float64 `mapstructure:"nonlinear_fraction" yaml:"nonlinear_fraction" json:"nonlinear_fraction"` // departure from the amplifier's curve, relative
}

// Band is one spectral band of the camera.
type Band struct {
	Name         string  `mapstructure:"name" yaml:"name" json:"name"`
	WavelengthNM float64 `mapstructure:"wavelength_nm" yaml:"wavelength_nm,omitempty" json:"wavelength_nm,omitempty"`
	// Responsivity is K_b, e-/s per W m^-2 sr^-1 nm^-1.
	Responsivity          float64 `mapstructure:"responsivity" yaml:"responsivity,omitempty" json:"responsivity,omitempty"`
	ResponsivityRelUncert float64 `mapstructure:"responsivity_relative_uncertainty" yaml:"responsivity_relative_uncertainty,omitempty" json:"responsivity_relative_uncertainty,omitempty"`
	// SolarIrradiance is E_b at 1 au, W m^-2 nm^-1.
	SolarIrradiance          float64 `mapstructure:"solar_irradiance" yaml:"solar_irradiance,omitempty" json:"solar_irradiance,omitempty"`
	SolarIrradianceRelUncert float64 `mapstructure:"solar_irradiance_relative_uncertainty" yaml:"solar_irradiance_relative_uncertainty,omitempty" json:"solar_irradiance_relative_uncertainty,omitempty"`
	// Response is the relative spectral response, for colour; its wavelengths rise.
	Response []ResponsePoint `mapstructure:"response" yaml:"response,omitempty" json:"response,omitempty"`
}

// Masters holds the settings by which master frames are made.
type Masters struct {
	RejectSigma   float64 `mapstructure:"reject_sigma" yaml:"reject_sigma" json:"reject_sigma"`          // clipping limit about the median
	MinFrames     int     `mapstructure:"min_frames" yaml:"min_frames" json:"min_frames"`                // fewer are refused
	SplitGapHours float64 `mapstructure:"split_gap_hours" yaml:"split_gap_hours" json:"split_gap_hours"` // a longer pause between frames starts a new master
	MemoryMiB     int     `mapstructure:"memory_mib" yaml:"memory_mib" json:"memory_mib"`                // bound on the samples held at once
}

// Limits bounds the masters that may serve a frame.
type Limits struct {
	MaxAgeDays   float64 `mapstructure:"max_age_days" yaml:"max_age_days" json:"max_age_days"`                              // between the frame and the master's inputs; 0: any
	MaxTempDiffK float64 `mapstructure:"max_temp_diff_k" yaml:"max_temp_diff_k,omitempty" json:"max_temp_diff_k,omitempty"` // 0: any
}

// Selection holds the limits for each kind of master.
type Selection struct {
	Bias      Limits `mapstructure:"bias" yaml:"bias" json:"bias"`
	Dark      Limits `mapstructure:"dark" yaml:"dark" json:"dark"`
	Flat      Limits `mapstructure:"flat" yaml:"flat" json:"flat"`
	Linearity Limits `mapstructure:"linearity" yaml:"linearity" json:"linearity"`
	BadPixels Limits `mapstructure:"bad_pixels" yaml:"bad_pixels" json:"bad_pixels"`
}

// Quantities that products can carry.
const (
	Electrons   = "electrons"   // e-
	Radiance    = "radiance"    // W m^-2 sr^-1 nm^-1
	Reflectance = "reflectance" // I/F, dimensionless
)

// Output says what products carry.
type Output struct {
	Quantity string `mapstructure:"quantity" yaml:"quantity" json:"quantity"`
	// SunDistanceRelUncert is the relative standard uncertainty of the distance
	// to the Sun; systematic, and twice that in I/F.
	SunDistanceRelUncert float64 `mapstructure:"sun_distance_relative_uncertainty" yaml:"sun_distance_relative_uncertainty,omitempty" json:"sun_distance_relative_uncertainty,omitempty"`
}
