package archive

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/ledger"
)

// Why a product is to be made, or made again.
const (
	ReasonNew     = "new"          // there is none yet
	ReasonRetry   = "retry"        // it failed, and what it failed for has changed
	ReasonProfile = "profile"      // the profile changed
	ReasonVersion = "version"      // the software changed
	ReasonMaster  = "master"       // other masters are chosen now
	ReasonBefore  = "frame-before" // the frame before, whose residual image is taken off, changed
	ReasonFile    = "file"         // the product's file is gone, or has another size
)

// Reasons lists the reasons that a plan can give.
func Reasons() []string {
	return []string{ReasonNew, ReasonRetry, ReasonProfile, ReasonVersion, ReasonMaster, ReasonBefore, ReasonFile}
}

// Selection says which products a plan is for. Empty fields choose all.
type Selection struct {
	From, To   time.Time // of the exposure
	Instrument string
	Detector   string
	Mode       string
	Band       string
	// Master is the name, or the beginning of the SHA-256, of a master: products
	// that were made with it or would be now.
	Master  string
	Reasons []string
	// Files tells to look whether the files of products are there.
	Files bool
}

// Plan says what is to be made, why, and what it will take. Its JSON form is
// documented in the README.
type Plan struct {
	Looked  int            `json:"looked"`  // scenes that were looked at
	Current int            `json:"current"` // that have the product they should have
	Blocked int            `json:"blocked"` // that failed, and nothing has changed since
	Held    int            `json:"held"`    // whose product cannot be made again now, because a master or the raw file is gone: it stays
	Passed  int            `json:"passed"`  // stale, and not selected by reason or master
	Stale   int            `json:"stale"`
	Reasons map[string]int `json:"reasons"` // of the stale; one may have several
	Groups  []PlanGroup    `json:"groups"`
	Bytes   int64          `json:"bytes"`   // that will be written, estimated
	Seconds float64        `json:"seconds"` // that it will take, estimated
	// Unknown counts the stale products of series that nothing was made of yet:
	// they are not in the estimates.
	Unknown int   `json:"without_estimate"`
	Free    int64 `json:"free_bytes"` // on the disk of the products; -1: not known

	items []item
}

// PlanGroup is what a plan holds of one instrument, detector, mode and band.
type PlanGroup struct {
	Instrument string `json:"instrument"`
	Detector   string `json:"detector"`
	Mode       string `json:"mode,omitempty"`
	Band       string `json:"band,omitempty"`
	Looked     int    `json:"looked"`
	Stale      int    `json:"stale"`

	cost
}

// cost is what some products took.
type cost struct {
	made  int // products whose cost is known
	bytes int64
	took  time.Duration
}

// costOf adds up what the products of some groups took.
func costOf(groups []PlanGroup, of func(*PlanGroup) bool) (sum cost) {
	for i := range groups {
		if g := &groups[i]; of(g) {
			sum.made += g.made
			sum.bytes += g.bytes
			sum.took += g.took
		}
	}
	return sum
}

// item is a product that is to be made.
type item struct {
	frame    ledger.Hash
	begin    int64 // ns
	group    int32
	plane    int32
	reasons  reasonSet
	detector string
}

// reasonSet is a set of reasons, by their place in Reasons.
type reasonSet uint8

func (r *reasonSet) add(reason string) { *r |= 1 << slices.Index(Reasons(), reason) }

func (r reasonSet) words() []string {
	var out []string
	for i, w := range Reasons() {
		if r&(1<<i) != 0 {
			out = append(out, w)
		}
	}
	return out
}

// Each calls f for the stale products in the order in which they are made: by
// the time of the exposure.
func (p *Plan) Each(f func(raw ledger.Hash, detector string, plane int, begin time.Time, reasons []string)) {
	for i := range p.items {
		it := &p.items[i]
		f(it.frame, it.detector, int(it.plane), time.Unix(0, it.begin).UTC(), it.reasons.words())
	}
}

// planner goes through the ledger.
type planner struct {
	a       *Archive
	ctx     context.Context
	sel     Selection
	see     *foresight
	plan    *Plan
	recipes map[ledger.Hash]ledger.Recipe
	inputs  map[int64][]ledger.Input
	wanted  reasonSet // 0: all
}

// Plan finds out what is to be made. It changes nothing, and reads no pixel: it
// compares what each product was made from with what it would be made from now.
func (a *Archive) Plan(ctx context.Context, sel Selection) (*Plan, error) {
	var wanted reasonSet
	for _, r := range sel.Reasons {
		if !slices.Contains(Reasons(), r) {
			return nil, fmt.Errorf("%q is no reason: choose among %s", r, strings.Join(Reasons(), ", "))
		}
		wanted.add(r)
	}
	if _, err := a.refreshMasters(ctx); err != nil {
		return nil, err
	}
	exposures, err := a.exposuresOf(ctx, sel.From, sel.To)
	if err != nil {
		return nil, err
	}
	p := &planner{a: a, ctx: ctx, sel: sel, see: a.newForesight(exposures), wanted: wanted,
		plan: &Plan{Reasons: map[string]int{}, Groups: []PlanGroup{}, Free: -1}, recipes: map[ledger.Hash]ledger.Recipe{}, inputs: map[int64][]ledger.Input{}}
	if free, err := freeBytes(a.cfg.Products); err == nil {
		p.plan.Free = int64(free)
	}
	filter := ledger.Filter{Instrument: sel.Instrument, Kind: configs.KindScene, Detector: sel.Detector, Mode: sel.Mode, Band: sel.Band, From: sel.From, To: sel.To}
	if err := p.rows(filter); err != nil {
		return nil, err
	}
	p.finish()
	return p.plan, nil
}

// rows judges the parts of frames that a filter chooses, while the next ones are
// read.
func (p *planner) rows(filter ledger.Filter) error {
	const together = 512
	full, empty := make(chan []ledger.FrameRow, 2), make(chan []ledger.FrameRow, 3)
	for range cap(empty) {
		empty <- make([]ledger.FrameRow, 0, together)
	}
	judged := make(chan error, 1)
	go func() {
		var failed error
		for batch := range full {
			for i := range batch {
				if failed == nil {
					failed = p.row(&batch[i])
				}
			}
			empty <- batch[:0]
		}
		judged <- failed
	}()
	batch := <-empty
	err := p.a.led.EachFrame(p.ctx, pipeline.ProductFrame, filter, func(row *ledger.FrameRow) error {
		if batch = append(batch, *row); len(batch) == together {
			full <- batch
			batch = <-empty
		}
		return nil
	})
	full <- batch
	close(full)
	return errors.Join(err, <-judged)
}

// row judges one part of a frame.
func (p *planner) row(row *ledger.FrameRow) error {
	src := p.a.sourceFor(row.Instrument)
	if src == nil {
		return nil // no longer an instrument of this archive
	}
	g := p.group(row)
	g.Looked++
	p.plan.Looked++
	if row.ProductTook > 0 {
		g.made++
		g.bytes += row.ProductBytes
		g.took += row.ProductTook
	}
	id, missing, err := p.see.product(src, row.Frame, &row.Part)
	if err != nil {
		return err
	}
	reasons, state, err := p.judge(src, row, id, missing)
	if err != nil {
		return err
	}
	switch state {
	case isCurrent:
		p.plan.Current++
	case isBlocked:
		p.plan.Blocked++
	case isHeld:
		p.plan.Held++
	default:
		return p.stale(g, row, id, reasons)
	}
	return nil
}

// group returns the group of a row, which is the last one or a new one, since
// rows come sorted.
func (p *planner) group(row *ledger.FrameRow) *PlanGroup {
	n := len(p.plan.Groups)
	if n > 0 {
		if g := &p.plan.Groups[n-1]; g.Instrument == row.Instrument && g.Detector == row.Detector && g.Mode == row.Mode && g.Band == row.Band {
			return g
		}
	}
	p.plan.Groups = append(p.plan.Groups, PlanGroup{Instrument: row.Instrument, Detector: row.Detector, Mode: row.Mode, Band: row.Band})
	return &p.plan.Groups[n]
}

// States of a part in a plan.
const (
	isStale = iota
	isCurrent
	isBlocked
	isHeld
)

// judge compares the product that a part has with the one that it should have.
func (p *planner) judge(src *source, row *ledger.FrameRow, want ledger.Identity, missing error) (reasons reasonSet, state int, err error) {
	id := ledger.ProductID(want)
	if row.Product.IsZero() {
		switch {
		case row.Failed == id || missing != nil || row.Path == "":
			return 0, isBlocked, nil
		case row.Failed.IsZero():
			reasons.add(ReasonNew)
		default:
			reasons.add(ReasonRetry)
		}
		return reasons, isStale, nil
	}
	if p.sel.Files && !isWhole(row.ProductPath, row.ProductBytes) {
		reasons.add(ReasonFile)
	}
	if row.Product == id {
		if reasons == 0 {
			return 0, isCurrent, nil
		}
		return reasons, isStale, nil
	}
	if missing != nil || row.Path == "" {
		return 0, isHeld, nil
	}
	if row.Failed == id {
		return 0, isBlocked, nil
	}
	if err := p.compare(&reasons, src, row, want); err != nil {
		return 0, isStale, err
	}
	gone, err := p.beforeIsGone(reasons, row, want)
	if err != nil || gone {
		return 0, isHeld, err
	}
	return reasons, isStale, nil
}

// beforeIsGone tells whether a product was made with a frame before that is
// nowhere any more: made again it would lack that correction.
func (p *planner) beforeIsGone(reasons reasonSet, row *ledger.FrameRow, want ledger.Identity) (bool, error) {
	var before reasonSet
	if before.add(ReasonBefore); reasons&before == 0 {
		return false, nil
	}
	inputs, err := p.inputsOf(row.ProductInputs)
	if err != nil {
		return false, err
	}
	for _, in := range inputs {
		if in.Role != pipeline.RoleBefore || slices.Contains(want.Inputs, in) {
			continue
		}
		frame, err := p.a.led.Frame(p.ctx, in.SHA256)
		if errors.Is(err, ledger.ErrUnknown) || err == nil && frame.Path == "" {
			return true, nil
		}
		if err != nil {
			return false, err
		}
	}
	return false, nil
}

// compare finds out what differs between what a product was made from and what
// it would be made from now.
func (p *planner) compare(reasons *reasonSet, src *source, row *ledger.FrameRow, want ledger.Identity) error {
	have, err := p.recipe(row.ProductRecipe)
	if err != nil {
		return err
	}
	if have.Profile != src.how.Profile {
		reasons.add(ReasonProfile)
	}
	if have.Version != src.how.Version {
		reasons.add(ReasonVersion)
	}
	inputs, err := p.inputsOf(row.ProductInputs)
	if err != nil {
		return err
	}
	for _, pair := range [2][2][]ledger.Input{{inputs, want.Inputs}, {want.Inputs, inputs}} {
		for _, in := range pair[0] {
			if in.Role == ledger.RoleRaw || slices.Contains(pair[1], in) {
				continue
			}
			if in.Role == pipeline.RoleBefore {
				reasons.add(ReasonBefore)
			} else {
				reasons.add(ReasonMaster)
			}
		}
	}
	return nil
}

func (p *planner) recipe(hash ledger.Hash) (ledger.Recipe, error) {
	r, ok := p.recipes[hash]
	if !ok {
		var err error
		if r, err = p.a.led.Recipe(p.ctx, hash); err != nil {
			return r, err
		}
		r.Text = "" // not looked at
		p.recipes[hash] = r
	}
	return r, nil
}

func (p *planner) inputsOf(set int64) ([]ledger.Input, error) {
	in, ok := p.inputs[set]
	if !ok {
		var err error
		if in, err = p.a.led.InputsOf(p.ctx, set); err != nil {
			return nil, err
		}
		p.inputs[set] = in
	}
	return in, nil
}

// stale takes a part into the plan, if it is selected.
func (p *planner) stale(g *PlanGroup, row *ledger.FrameRow, want ledger.Identity, reasons reasonSet) error {
	if p.wanted != 0 && reasons&p.wanted == 0 {
		p.plan.Passed++
		return nil
	}
	if p.sel.Master != "" {
		ok, err := p.uses(row, want)
		if err != nil {
			return err
		}
		if !ok {
			p.plan.Passed++
			return nil
		}
	}
	for _, w := range reasons.words() {
		p.plan.Reasons[w]++
	}
	g.Stale++
	p.plan.Stale++
	p.plan.items = append(p.plan.items, item{row.Frame, row.Begin.UnixNano(), int32(len(p.plan.Groups) - 1), int32(row.Plane), reasons, row.Detector})
	return nil
}

// uses tells whether the selected master made the product or would make it now.
func (p *planner) uses(row *ledger.FrameRow, want ledger.Identity) (bool, error) {
	inputs := want.Inputs
	if !row.Product.IsZero() {
		old, err := p.inputsOf(row.ProductInputs)
		if err != nil {
			return false, err
		}
		inputs = slices.Concat(old, inputs)
	}
	for _, in := range inputs {
		if in.Role == ledger.RoleRaw || in.SHA256.IsZero() {
			continue
		}
		digits := in.SHA256.String()
		if len(p.sel.Master) >= 6 && strings.HasPrefix(digits, strings.ToLower(p.sel.Master)) {
			return true, nil
		}
		for _, m := range p.a.masters.lib.Masters {
			if m.Name() != p.sel.Master {
				continue
			}
			sha, err := p.a.masters.lib.Content(m)
			if err != nil || sha == digits {
				return err == nil, err
			}
		}
	}
	return false, nil
}

// finish works out the estimates, from what products of the same group took,
// else of the same detector, else of any; where nothing was made yet it says so.
func (p *planner) finish() {
	groups := p.plan.Groups
	for i := range groups {
		g := &groups[i]
		c := costOf(groups, func(o *PlanGroup) bool { return o == g })
		if c.made == 0 {
			c = costOf(groups, func(o *PlanGroup) bool { return o.Instrument == g.Instrument && o.Detector == g.Detector })
		}
		if c.made == 0 {
			c = costOf(groups, func(*PlanGroup) bool { return true })
		}
		if c.made == 0 {
			p.plan.Unknown += g.Stale
			continue
		}
		p.plan.Bytes += c.bytes / int64(c.made) * int64(g.Stale)
		p.plan.Seconds += c.took.Seconds() / float64(c.made) * float64(g.Stale)
	}
	if most := p.a.cfg.Reprocess.FramesPerHour; most > 0 {
		p.plan.Seconds = max(p.plan.Seconds, float64(p.plan.Stale)/most*3600)
	}
	slices.SortFunc(p.plan.items, func(a, b item) int {
		return cmp.Or(cmp.Compare(a.begin, b.begin), strings.Compare(string(a.frame[:]), string(b.frame[:])), cmp.Compare(a.detector, b.detector), cmp.Compare(a.plane, b.plane))
	})
}

// Limits bound what remaking products may take.
type Limits struct {
	FramesPerHour float64 // 0: no bound
	MostBytes     int64   // 0: no bound
	MostFrames    int     // 0: no bound
	MinFreeGiB    float64
}

// Limits are those of the configuration.
func (a *Archive) Limits() Limits {
	r := a.cfg.Reprocess
	return Limits{FramesPerHour: r.FramesPerHour, MostBytes: int64(r.MostGiB * (1 << 30)), MinFreeGiB: r.MinFreeGiB}
}

// tasks makes tasks of some items of a plan. A frame that the ledger or the
// sources no longer have is left out.
func (a *Archive) tasks(ctx context.Context, items []item) (tasks []task, err error) {
	var last ledger.Hash // frame of the last task
	for i := range items {
		it := &items[i]
		key := partKey{it.detector, int(it.plane)}
		if it.frame == last {
			tasks[len(tasks)-1].remake[key] = true
			continue
		}
		frame, err := a.led.Frame(ctx, it.frame)
		if errors.Is(err, ledger.ErrUnknown) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if t := a.taskOf(&frame); t != nil && filepath.IsAbs(t.read) {
			t.remake, t.only, last = map[partKey]bool{key: true}, true, it.frame
			tasks = append(tasks, *t)
		}
	}
	return tasks, nil
}

// size is what the product of an item is estimated to take; 0: not known.
func (p *Plan) size(i int) int64 {
	if c := p.Groups[p.items[i].group].cost; c.made > 0 {
		return c.bytes / int64(c.made)
	}
	return 0
}
