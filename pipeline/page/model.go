package page

// Page is what the index shows. The details of frames and masters are in
// Details and MasterDetails of a page in one file; else in the files that their
// lines name.
type Page struct {
	Title       string  `json:"title"`
	Kind        string  `json:"kind"` // KindRun or KindPeriod
	Software    string  `json:"software"`
	Version     string  `json:"version"`
	Instrument  string  `json:"instrument"`               // several are joined by ", "
	ProfileHash string  `json:"profile_sha256,omitempty"` // of a run
	Period      *Period `json:"period,omitempty"`         // of KindPeriod
	Stamp       string  `json:"made,omitempty"`           // when the page was made, UTC; only where that was asked for
	Sampling    string  `json:"sampling"`                 // in words: which pixels pictures and plots were made from
	RunSeconds  float64 `json:"run_seconds,omitempty"`    // what the run took, s; 0: not known

	Attention []Attention `json:"attention"` // most urgent first
	Counts    Counts      `json:"counts"`
	Trends    []Chart     `json:"trends"`
	Frames    []Frame     `json:"frames"`
	Masters   []Master    `json:"masters"`
	Failures  []Failure   `json:"failures"`
	Alerts    []Alert     `json:"alerts"`
	Parts     []PartRef   `json:"parts"` // empty: all is in this file

	Details       []Detail       `json:"details,omitempty"`
	MasterDetails []MasterDetail `json:"master_details,omitempty"`
}

// Kinds of page.
const (
	KindRun    = "run"
	KindPeriod = "period"
)

// Period is the span of time that a page shows. From is inside, To is not.
type Period struct {
	From string `json:"from,omitempty"` // UTC, RFC 3339; empty: from the beginning
	To   string `json:"to,omitempty"`   // empty: up to the end
	By   string `json:"by"`             // ByExposure or ByArrival: which time of a frame counts
}

// The time of a frame that a period is of.
const (
	ByExposure = "exposure" // start of the exposure, as the header says
	ByArrival  = "arrival"  // when the archive first saw the raw frame
)

// Attention is one thing that a person should look at. Things of one kind and
// cause are put together.
type Attention struct {
	Kind   string   `json:"kind"`   // failure, missing-master, quarantine, alert, trend, noise, good, warning
	Grade  string   `json:"grade"`  // GradeAct or GradeLook
	Text   string   `json:"text"`   // what it is
	Remedy string   `json:"remedy"` // what to do; empty: no general advice
	Since  string   `json:"since,omitempty"`
	Count  int      `json:"count"`            // of frames that it is of; 0: of no frame
	Frames []int    `json:"frames,omitempty"` // Frame.N of the first of them, at most MostNamed
	Names  []string `json:"names,omitempty"`  // raw names where there is no product, at most MostNamed
	Charts []string `json:"charts,omitempty"` // Chart.ID
}

// Grades of attention.
const (
	GradeAct  = "act"  // something is lost or wrong until somebody acts
	GradeLook = "look" // a product exists and calls for a look
)

// MostNamed bounds the frames that one thing names; Count has them all.
const MostNamed = 20

// Counts says how many frames came to what end.
type Counts struct {
	Found       int     `json:"found"`
	Done        int     `json:"done"`
	Failed      int     `json:"failed"`
	Skipped     int     `json:"skipped"` // not scene frames
	Warned      int     `json:"warned"`  // done, with warnings
	Quarantined int     `json:"quarantined"`
	Alerts      int     `json:"alerts"` // that hold
	Masters     int     `json:"masters"`
	ByBand      []Count `json:"by_band"` // products by detector and band, in the order of their names
}

// Count is the number of products of one detector and band.
type Count struct {
	Detector string `json:"detector"`
	Band     string `json:"band"` // empty: the frame sees several, or the camera has one
	Done     int    `json:"done"`
	Warned   int    `json:"warned"`
}

// Frame is the line of one product in the table.
type Frame struct {
	N          int        `json:"n"`    // from 1, in the order of the page
	ID         string     `json:"id"`   // anchor of its details
	Part       string     `json:"part"` // file of its details; empty: this file
	Name       string     `json:"name"` // of the raw frame, without folders
	Raw        string     `json:"raw"`  // as the run or the ledger names it
	Product    string     `json:"product"`
	Link       string     `json:"link"` // product relative to the page's folder, with slashes; empty: it has no such path
	Instrument string     `json:"instrument"`
	Detector   string     `json:"detector"`
	Band       string     `json:"band"`
	Mode       string     `json:"mode"`
	Target     string     `json:"target"`
	Time       string     `json:"time"` // start of the exposure, UTC
	ExposureS  float64    `json:"exposure_s"`
	TempK      *float64   `json:"temperature_k"`
	Unit       string     `json:"unit"`
	Background *float64   `json:"background"`     // 5th percentile of the good pixels, Unit
	Median     *float64   `json:"median"`         // of the good pixels, Unit
	Good       *float64   `json:"good_fraction"`  // pixels without any flag, 0 to 1
	Saturated  float64    `json:"saturated"`      // fraction of the pixels, 0 to 1
	NoiseRatio *float64   `json:"noise_ratio"`    // measured over expected noise
	OldestDays *float64   `json:"oldest_master"`  // age of the oldest master used, days
	State      string     `json:"state"`          // StateGood, StateLook or StateBroken
	Warnings   []string   `json:"warnings"`       // what calls for a look, in words
	Flags      []FlagPart `json:"flag_fractions"` // in the order of the bits
}

// States of a frame.
const (
	StateGood   = "good"
	StateLook   = "look"   // it has warnings, or a figure is out of the way
	StateBroken = "broken" // the product cannot be read
)

// FlagPart is the fraction of the pixels that carry a flag.
type FlagPart struct {
	Name     string  `json:"name"`
	Fraction float64 `json:"fraction"` // 0 to 1, of all pixels
}

// Detail is what is shown of one frame when it is opened. Pictures and plots
// are left out of the JSON form, which has the numbers that plots are made of.
type Detail struct {
	Frame      Frame       `json:"frame"`
	Images     []Image     `json:"images"`
	Plots      []Plot      `json:"plots"`
	Amplifiers []Amplifier `json:"amplifiers"`
	Bands      []BandLevel `json:"bands"` // where one frame sees several
	Masters    []MasterUse `json:"masters"`
	Command    string      `json:"command"`    // that prints the provenance
	Provenance string      `json:"provenance"` // as that command prints it
	Problem    string      `json:"problem"`    // why pictures or plots are missing; empty: none is
}

// Image is a small picture, a PNG.
type Image struct {
	Kind    string   `json:"kind"`  // raw, value, flags; of masters value, uncertainty, samples, reasons
	Title   string   `json:"title"` // "raw", "result", "flags" ...
	Alt     string   `json:"alt"`
	Width   int      `json:"width"` // pixels of the picture
	Height  int      `json:"height"`
	Stretch *Stretch `json:"stretch,omitempty"` // nil: of flags
	Legend  []Key    `json:"legend,omitempty"`  // of flags and reasons
	PNG     []byte   `json:"-"`
}

// Stretch says how values became grey: Low and below is black, High and above
// is white, linear between.
type Stretch struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
	Unit string  `json:"unit"`
	Rule string  `json:"rule"` // how Low and High were chosen, in words
}

// Key explains a colour of a flags picture.
type Key struct {
	Name   string `json:"name"`
	Colour string `json:"colour"` // #rrggbb, from the palette of Okabe & Ito
	Count  int    `json:"count"`  // pixels that carry it, of those read
}

// Plot is a drawing with the numbers that it shows.
type Plot struct {
	Kind   string   `json:"kind"` // histogram, columns, rows, noise
	Title  string   `json:"title"`
	Alt    string   `json:"alt"`
	X      string   `json:"x"` // what the abscissa is, with unit
	Y      string   `json:"y"`
	Series []Series `json:"series"`
	SVG    []byte   `json:"-"`
}

// Series is one row of points of a plot. A Y that is null is a gap.
type Series struct {
	Name string     `json:"name"`
	X    []float64  `json:"x"`
	Y    []*float64 `json:"y"`
}

// Amplifier is what the overscan told of one amplifier.
type Amplifier struct {
	Name       string   `json:"name"`
	OffsetDN   *float64 `json:"offset_dn"`    // DN
	DriftDN    *float64 `json:"drift_dn"`     // highest less lowest offset of a row, DN
	ReadNoiseE *float64 `json:"read_noise_e"` // e-
}

// BandLevel holds the levels of one band of a frame that sees several.
type BandLevel struct {
	Name       string   `json:"name"`
	Background *float64 `json:"background"`
	Median     *float64 `json:"median"`
	Good       *float64 `json:"good_fraction"`
	NoiseRatio *float64 `json:"noise_ratio"`
}

// MasterUse is a master that served a frame.
type MasterUse struct {
	Kind      string   `json:"kind"`
	Name      string   `json:"name"`
	SHA256    string   `json:"sha256"`
	AgeDays   *float64 `json:"age_days"`                 // from the frame to its nearest exposure
	TempDiffK *float64 `json:"temperature_difference_k"` // K
	Master    string   `json:"master"`                   // Master.ID; empty: it is not on the page
}

// Master is the line of one master in the table.
type Master struct {
	ID       string   `json:"id"`
	Part     string   `json:"part"` // file of its details; empty: this file
	Kind     string   `json:"kind"`
	Name     string   `json:"name"`
	Path     string   `json:"path"`
	Link     string   `json:"link"` // relative to the page's folder; empty: it has no such path
	SHA256   string   `json:"sha256"`
	Detector string   `json:"detector"`
	Mode     string   `json:"mode"`
	Band     string   `json:"band"`
	First    string   `json:"first"` // first exposure, UTC
	Last     string   `json:"last"`
	Inputs   int      `json:"inputs"` // raw frames that it was made from
	Served   int      `json:"served"` // frames of the page that it served
	OldestD  *float64 `json:"oldest_days"`
	State    string   `json:"state"` // StateGood or StateBroken
}

// MasterDetail is what is shown of one master when it is opened.
type MasterDetail struct {
	Master     Master   `json:"master"`
	Images     []Image  `json:"images"`
	Inputs     []Source `json:"inputs"`
	Command    string   `json:"command"` // that prints the provenance
	Provenance string   `json:"provenance"`
	Problem    string   `json:"problem"`
}

// Source is one file that a master was made from.
type Source struct {
	Role   string `json:"role"`
	Name   string `json:"name"`
	SHA256 string `json:"sha256"`
}

// Chart is the control chart of one metric of one series of frames.
type Chart struct {
	ID         string       `json:"id"`
	Instrument string       `json:"instrument"`
	Detector   string       `json:"detector"`
	Mode       string       `json:"mode"`
	Band       string       `json:"band"`
	Metric     string       `json:"metric"`
	Title      string       `json:"title"`
	Kind       string       `json:"chart"` // individuals or ewma
	Centre     *float64     `json:"centre"`
	Lower      *float64     `json:"lower"`
	Upper      *float64     `json:"upper"`
	Problem    string       `json:"problem"` // why there are no limits
	Points     int          `json:"points"`
	Out        int          `json:"out"`       // points outside of the limits
	FirstOut   *ChartPoint  `json:"first_out"` // nil: none is
	OutSince   *ChartPoint  `json:"out_since"` // the last points are out since this one; nil: the last is in
	Worst      []ChartPoint `json:"worst"`     // farthest outside first, at most MostNamed
	Last       *ChartPoint  `json:"last"`
	Alt        string       `json:"alt"`
	SVG        []byte       `json:"-"`
}

// ChartPoint is one point of a chart.
type ChartPoint struct {
	Time      string  `json:"time"` // UTC
	Name      string  `json:"name"` // of the raw frame
	N         int     `json:"n"`    // Frame.N; 0: not on the page
	Value     float64 `json:"value"`
	Statistic float64 `json:"statistic"`
}

// Failure is a frame that could not be treated.
type Failure struct {
	Raw    string `json:"raw"`
	Name   string `json:"name"` // of the raw frame, without folders
	Time   string `json:"time"` // start of the exposure or, by arrival, of the trial; empty: not known
	Reason string `json:"reason"`
	Remedy string `json:"remedy"` // empty: the reason says it
	Entry  string `json:"entry"`  // folder in quarantine; empty: none
}

// Alert is one that holds, or that was raised or cleared in the period.
type Alert struct {
	Rule    string `json:"rule"`
	Subject string `json:"subject"`
	Message string `json:"message"`
	Since   string `json:"since"` // since when the data say so, UTC
	First   string `json:"first"` // when it was first found, UTC
	Holds   bool   `json:"holds"`
}

// PartRef names a part file.
type PartRef struct {
	File  string `json:"file"`
	Kind  string `json:"kind"`  // PartFrames or PartMasters
	First int    `json:"first"` // Frame.N of its first frame, or number of its first master
	Last  int    `json:"last"`
}

// What part files hold.
const (
	PartFrames  = "frames"
	PartMasters = "masters"
)

// Part is one part file: the details of some frames or some masters.
type Part struct {
	Title    string         `json:"title"`
	Software string         `json:"software"`
	Version  string         `json:"version"`
	Sampling string         `json:"sampling"`
	Ref      PartRef        `json:"part"`
	Before   string         `json:"before"` // file of the part before; empty: none
	After    string         `json:"after"`
	Frames   []Detail       `json:"frames,omitempty"`
	Masters  []MasterDetail `json:"masters,omitempty"`
}
