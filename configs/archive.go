package configs

// Archive says where the files of an archive lie and how it is kept: the one
// configuration of the commands that run for years. Relative paths count from
// the folder of the file that it was read from.
type Archive struct {
	// Format is the version of the format of this file; this software reads
	// format 1.
	Format int `mapstructure:"format" yaml:"format" json:"format"`
	// Ledger is a file, or the URL of a PostgreSQL database.
	Ledger string `mapstructure:"ledger" yaml:"ledger" json:"ledger"`

	// Folders. Sources, masters, products, earlier, quarantine and journal lie
	// apart: none is inside of another.
	Masters    string `mapstructure:"masters" yaml:"masters" json:"masters"`
	Products   string `mapstructure:"products" yaml:"products" json:"products"`
	Earlier    string `mapstructure:"earlier" yaml:"earlier" json:"earlier"`          // versions of products that others took the place of
	Quarantine string `mapstructure:"quarantine" yaml:"quarantine" json:"quarantine"` // frames that cannot be processed, each with its reason
	Journal    string `mapstructure:"journal" yaml:"journal" json:"journal"`          // what a lost ledger cannot read from headers: runs and alerts

	// Versions tells what becomes of a product that is made anew: VersionsKeep
	// or VersionsReplace.
	Versions string   `mapstructure:"versions" yaml:"versions" json:"versions"`
	Sources  []Source `mapstructure:"sources" yaml:"sources" json:"sources"`

	Intake    Intake    `mapstructure:"intake" yaml:"intake" json:"intake"`
	Reprocess Reprocess `mapstructure:"reprocess" yaml:"reprocess" json:"reprocess"`
	Alerts    Alerts    `mapstructure:"alerts" yaml:"alerts" json:"alerts"`
}

// What becomes of the earlier version of a product that is made anew.
const (
	VersionsKeep    = "keep"    // it moves to the folder of earlier versions
	VersionsReplace = "replace" // it is gone
)

// Source is a folder that raw frames of one camera arrive in, in it or in
// folders inside.
type Source struct {
	// Name is the folder's name below the folder of products, unlike that of
	// any other source.
	Name    string `mapstructure:"name" yaml:"name" json:"name"`
	Folder  string `mapstructure:"folder" yaml:"folder" json:"folder"`
	Profile string `mapstructure:"profile" yaml:"profile" json:"profile"` // file, or name of a built-in profile
	// Set overrides values of the profile, as in output.quantity=electrons.
	Set []string `mapstructure:"set" yaml:"set,omitempty" json:"set,omitempty"`
}

// Intake says how new frames are taken in.
type Intake struct {
	SettleS         float64 `mapstructure:"settle_s" yaml:"settle_s" json:"settle_s"`                         // s that a file must not have changed for
	RescanMinutes   float64 `mapstructure:"rescan_minutes" yaml:"rescan_minutes" json:"rescan_minutes"`       // between looks at all folders, for file systems that tell of no change
	IncompleteHours float64 `mapstructure:"incomplete_hours" yaml:"incomplete_hours" json:"incomplete_hours"` // that an incomplete file may rest before it goes to quarantine
	WaitS           float64 `mapstructure:"wait_s" yaml:"wait_s" json:"wait_s"`                               // s to wait for another run on the archive
	MinFreeGiB      float64 `mapstructure:"min_free_gib" yaml:"min_free_gib" json:"min_free_gib"`             // that must be left for products; below it nothing is begun
	CacheMiB        int     `mapstructure:"cache_mib" yaml:"cache_mib" json:"cache_mib"`                      // bound on the masters in memory
}

// Reprocess bounds what remaking products may take.
type Reprocess struct {
	FramesPerHour float64 `mapstructure:"frames_per_hour" yaml:"frames_per_hour" json:"frames_per_hour"` // 0: no bound
	MostGiB       float64 `mapstructure:"most_gib" yaml:"most_gib" json:"most_gib"`                      // that one run may write; 0: no bound
	MinFreeGiB    float64 `mapstructure:"min_free_gib" yaml:"min_free_gib" json:"min_free_gib"`          // that must be left; below it the run stops
}

// Alerts says what calls for attention and who is told.
type Alerts struct {
	RepeatHours float64  `mapstructure:"repeat_hours" yaml:"repeat_hours" json:"repeat_hours"`           // between reminders of what still holds
	MetricsFile string   `mapstructure:"metrics_file" yaml:"metrics_file,omitempty" json:"metrics_file"` // OpenMetrics text; empty: none
	Webhook     *Webhook `mapstructure:"webhook" yaml:"webhook,omitempty" json:"webhook,omitempty"`
	Rules       []Rule   `mapstructure:"rules" yaml:"rules,omitempty" json:"rules,omitempty"`
}

// Webhook is an HTTP address that alerts are posted to. The secret goes out as
// a bearer token (RFC 6750, section 2.1).
type Webhook struct {
	URL        string  `mapstructure:"url" yaml:"url" json:"url"`
	SecretEnv  string  `mapstructure:"secret_env" yaml:"secret_env,omitempty" json:"secret_env,omitempty"`    // environment variable that holds the secret
	SecretFile string  `mapstructure:"secret_file" yaml:"secret_file,omitempty" json:"secret_file,omitempty"` // or file that holds it, which nobody else may read
	TimeoutS   float64 `mapstructure:"timeout_s" yaml:"timeout_s" json:"timeout_s"`                           // of one try
	Tries      int     `mapstructure:"tries" yaml:"tries" json:"tries"`                                       // before it is left for the next pass
}

// Rule is one thing that calls for attention. Which fields it has depends on
// its kind; the others must be left out.
type Rule struct {
	Name string `mapstructure:"name" yaml:"name" json:"name"`
	Kind string `mapstructure:"kind" yaml:"kind" json:"kind"` // RuleThreshold ...

	// Which frames: empty fields choose all. Each series (instrument,
	// detector, mode, band) is judged by itself.
	Instrument string `mapstructure:"instrument" yaml:"instrument,omitempty" json:"instrument,omitempty"` // threshold, control, silence, master-age
	Detector   string `mapstructure:"detector" yaml:"detector,omitempty" json:"detector,omitempty"`       // threshold, control, master-age
	Mode       string `mapstructure:"mode" yaml:"mode,omitempty" json:"mode,omitempty"`                   // threshold, control
	Band       string `mapstructure:"band" yaml:"band,omitempty" json:"band,omitempty"`                   // threshold, control

	Metric string   `mapstructure:"metric" yaml:"metric,omitempty" json:"metric,omitempty"` // threshold, control
	Above  *float64 `mapstructure:"above" yaml:"above,omitempty" json:"above,omitempty"`    // threshold: at least one of the two
	Below  *float64 `mapstructure:"below" yaml:"below,omitempty" json:"below,omitempty"`
	Frames int      `mapstructure:"frames" yaml:"frames,omitempty" json:"frames,omitempty"` // threshold: so many in a row; 0: 1

	Chart    string  `mapstructure:"chart" yaml:"chart,omitempty" json:"chart,omitempty"`          // control: ChartIndividuals or ChartEWMA
	Baseline int     `mapstructure:"baseline" yaml:"baseline,omitempty" json:"baseline,omitempty"` // control: frames that set the limits; 0: 30
	Since    string  `mapstructure:"since" yaml:"since,omitempty" json:"since,omitempty"`          // control: the baseline begins at this time (RFC 3339); empty: with the first frame
	Sigmas   float64 `mapstructure:"sigmas" yaml:"sigmas,omitempty" json:"sigmas,omitempty"`       // control: half width of the limits; 0: 3
	Lambda   float64 `mapstructure:"lambda" yaml:"lambda,omitempty" json:"lambda,omitempty"`       // control, EWMA: weight of the newest; 0: 0.2

	Percent  float64 `mapstructure:"percent" yaml:"percent,omitempty" json:"percent,omitempty"`       // failures: of the frames that were tried
	AtLeast  int     `mapstructure:"at_least" yaml:"at_least,omitempty" json:"at_least,omitempty"`    // failures: so many tried frames are needed to judge; 0: 10
	Hours    float64 `mapstructure:"hours" yaml:"hours,omitempty" json:"hours,omitempty"`             // failures: looked at; silence: without a new frame
	BelowGiB float64 `mapstructure:"below_gib" yaml:"below_gib,omitempty" json:"below_gib,omitempty"` // space: free
	Folder   string  `mapstructure:"folder" yaml:"folder,omitempty" json:"folder,omitempty"`          // space: products, earlier, quarantine, masters or journal
	Master   string  `mapstructure:"master" yaml:"master,omitempty" json:"master,omitempty"`          // master-age: kind of master; empty: each kind
	Days     float64 `mapstructure:"days" yaml:"days,omitempty" json:"days,omitempty"`                // master-age
}

// Kinds of rules.
const (
	RuleThreshold = "threshold"  // a metric lies outside of fixed bounds
	RuleControl   = "control"    // a metric left the limits of its control chart
	RuleFailures  = "failures"   // too many of the frames that were tried failed
	RuleSilence   = "silence"    // no new frame for too long
	RuleSpace     = "space"      // too little room is left
	RuleMasterAge = "master-age" // the newest master of a series is too old
)

// Kinds of control charts.
const (
	ChartIndividuals = "individuals"
	ChartEWMA        = "ewma"
)
