package pipeline

import (
	"container/list"
	"fmt"
	"slices"
	"sync"

	"evenlight/calib"
	"evenlight/fitsutil"
)

// loaded is a master with its planes in memory, ready for the stages.
type loaded struct {
	*Master
	SHA256 string

	plane        *calib.Plane        // bias, dark
	means        []float64           // bias: mean over each amplifier, DN
	rows         []*calib.RowPattern // bias: fixed pattern of each amplifier's overscan rows; nil: not told
	charge       *calib.Plane        // dark: all of the dark charge, what the offset takes off included
	masked       *calib.Plane        // bias, dark: mean of the masked rows, where the camera has any
	zones        *calib.ZoneCurves   // linearity that varies over the detector
	typicalEPerS float64             // dark: median, e-/s at T0
	typicalVar   float64             // of a usual pixel: bias, dark: variance; flat: relative variance
	flat         *calib.FlatField    // flat
	raw          *calib.Plane        // flat, as it is in the file
	mask         []calib.Flags       // bad-pixels

	marks *markPlaces // flat of a camera tube: where it shows the reference marks

	scatter []float32 // dark: reduced chi-square of its samples
	samples []int32   // dark

	departure, departureU []float32 // linearity
	curves                []calib.Polynomial
	maxDN                 []float64
	relUncert             []float64 // of lin(v)/v at half of maxDN
}

// bytes is what the planes take in memory.
func (l *loaded) bytes() int64 {
	n := 4*len(l.mask) + 4*(len(l.scatter)+len(l.samples)+len(l.departure)+len(l.departureU))
	if l.plane != nil {
		n += 8 * len(l.plane.Value)
	}
	if l.charge != nil && l.charge != l.plane {
		n += 4 * len(l.charge.Value)
	}
	if l.masked != nil {
		n += 8 * len(l.masked.Value)
	}
	if l.flat != nil {
		n += 8 * len(l.flat.Inverse)
	}
	if l.raw != nil {
		n += 8 * len(l.raw.Value)
	}
	return int64(n)
}

// full tells loadMaster to keep also what only the making of a bad-pixel mask
// needs.
type wants bool

const (
	forStages wants = false
	forMask   wants = true
)

// loadMaster reads a master's planes and its content hash, and verifies its
// checksums.
func loadMaster(m *Master, s *calib.Sensor, w wants) (*loaded, error) {
	data, sha, err := fitsutil.ReadAll(m.Path, nil, maxRawBytes)
	if err != nil {
		return nil, err
	}
	f, err := openOwn(m.Path, data)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	l := &loaded{Master: m, SHA256: sha}
	r := planeReader{file: f, path: m.Path, width: s.Image.Width(), height: s.MasterRows()}
	switch m.Kind {
	case MasterBias:
		l.plane = r.plane()
		l.masked = r.masked()
		l.rows = r.rowPatterns(s)
		for _, a := range s.Amps {
			region := a.Region.Intersect(s.Image).Shift(-s.Image.X0, -s.Image.Y0)
			region.Y1 = min(region.Y1, r.height)
			l.means = append(l.means, meanOver(l.plane, region))
		}
	case MasterDark:
		l.plane = r.plane()
		l.masked = r.masked()
		l.charge = chargeOf(l.plane, m.MaskedDark, s)
		l.typicalEPerS = typical(l.charge.Value)
		if w == forMask {
			l.scatter, l.samples = r.floats("SCATTER"), r.whole("SAMPLES")
		}
	case MasterFlat:
		if p := r.plane(); w == forMask {
			l.raw, l.marks = p, r.markPlaces()
		} else if r.err == nil {
			l.flat = calib.NewFlatField(p)
		}
	case MasterBadPixels:
		for _, v := range r.whole("REASONS") {
			l.mask = append(l.mask, calib.Flags(v))
		}
	case MasterLinearity:
		l.curves, l.maxDN, l.relUncert = r.curves()
		l.zones = r.zones(s, l.curves, l.maxDN)
		if w == forMask {
			l.departure, l.departureU = r.floats("DEPARTURE"), r.floats("DEPARTURE_U")
		}
	default:
		return nil, fmt.Errorf("%s: %q is no kind of master that %s %s knows", m.Path, m.Kind, Software, Version)
	}
	if r.err != nil {
		return nil, fmt.Errorf("%s: %w", m.Path, r.err)
	}
	switch {
	case l.plane != nil:
		l.typicalVar = typical(l.plane.Variance)
	case l.flat != nil:
		l.typicalVar = typical(l.flat.RelVariance)
	}
	return l, nil
}

// planeReader reads planes of one shape and keeps the first error.
type planeReader struct {
	file          *fitsutil.File
	path          string
	width, height int
	err           error
}

func (r *planeReader) find(name string) *fitsutil.HDU {
	if r.err != nil {
		return nil
	}
	h, err := r.file.Find(name)
	if err != nil {
		r.err = err
		return nil
	}
	if h.Width() != r.width || h.Height() != r.height {
		r.err = fmt.Errorf("HDU %s is %d x %d pixels and the detector's image region is %d x %d: the master was made with another profile",
			name, h.Width(), h.Height(), r.width, r.height)
		return nil
	}
	return h
}

// rows hands the raw bytes of an HDU to put, a row at a time.
func (r *planeReader) rows(name string, put func(h *fitsutil.HDU, y int, row []byte) error) {
	h := r.find(name)
	if h == nil {
		return
	}
	for y := range r.height {
		b, ok := r.file.RowsView(h, 0, y, 1)
		if !ok {
			b, r.err = r.file.ReadRows(h, 0, y, 1, nil)
		}
		if r.err == nil {
			r.err = put(h, y, b)
		}
		if r.err != nil {
			return
		}
	}
}

func (r *planeReader) floats(name string) []float32 {
	out := make([]float32, r.width*r.height)
	r.rows(name, func(h *fitsutil.HDU, y int, row []byte) error {
		return h.DecodeFloat32(out[y*r.width:(y+1)*r.width], row)
	})
	return out
}

func (r *planeReader) whole(name string) []int32 {
	out := make([]int32, r.width*r.height)
	r.rows(name, func(h *fitsutil.HDU, y int, row []byte) error {
		return h.DecodeInt32(out[y*r.width:(y+1)*r.width], row)
	})
	return out
}

func (r *planeReader) plane() *calib.Plane {
	return &calib.Plane{Width: r.width, Value: r.floats("VALUE"), Variance: r.floats("VARIANCE")}
}

// curves reads the table of linearity coefficients, one row an amplifier.
func (r *planeReader) curves() (curves []calib.Polynomial, maxDN, relUncert []float64) {
	if r.err != nil {
		return nil, nil, nil
	}
	h, err := r.file.Find("CURVES")
	if err != nil {
		r.err = err
		return nil, nil, nil
	}
	t, err := r.file.ReadTable(h)
	if err != nil {
		r.err = err
		return nil, nil, nil
	}
	for _, c := range t.Columns {
		v, ok := c.Data.([]float64)
		if !ok {
			continue
		}
		switch c.Name {
		case "MAX_DN":
			maxDN = v
		case "REL_UNCERT":
			relUncert = v
		case "C2", "C3", "C4", "C5":
			if curves == nil {
				curves = make([]calib.Polynomial, len(v))
			}
			for a := range v {
				curves[a] = append(curves[a], v[a])
			}
		}
	}
	if len(curves) == 0 || len(maxDN) != len(curves) || len(relUncert) != len(curves) {
		r.err = fmt.Errorf("table CURVES lacks columns C2, MAX_DN or REL_UNCERT")
	}
	return curves, maxDN, relUncert
}

// masked reads the levels of masked rows, one value a column, where a master
// has them.
func (r *planeReader) masked() *calib.Plane {
	if r.err != nil {
		return nil
	}
	if _, err := r.file.Find(extMasked); err != nil {
		return nil
	}
	one := *r
	one.height = 1
	p := &calib.Plane{Width: r.width, Value: one.floats(extMasked), Variance: one.floats(extMaskedVar)}
	r.err = one.err
	return p
}

// zones makes the curves of zones, where the table says that its rows are
// such.
func (r *planeReader) zones(s *calib.Sensor, curves []calib.Polynomial, maxDN []float64) *calib.ZoneCurves {
	if r.err != nil {
		return nil
	}
	h, err := r.file.Find("CURVES")
	if err != nil {
		r.err = err
		return nil
	}
	columns, ok, err := h.Header.Int("ZONECOLS")
	if err != nil || !ok {
		r.err = err
		return nil
	}
	if columns < 1 || len(curves)%int(columns) != 0 {
		r.err = fmt.Errorf("table CURVES has %d zones in rows of %d", len(curves), columns)
		return nil
	}
	z := zoneGrid(s, [2]int{int(columns), len(curves) / int(columns)})
	z.Curves, z.MaxDN = curves, maxDN
	return z
}

// masterCache keeps the planes of the masters that were used last, up to a
// number of bytes, and loads each of them once however many frames wait.
type masterCache struct {
	limit int64

	mu    sync.Mutex
	used  int64
	order *list.List // of *cached, last used first
	byKey map[string]*list.Element
}

type cached struct {
	key  string
	once sync.Once
	l    *loaded
	err  error
}

func newMasterCache(limit int64) *masterCache {
	return &masterCache{limit: limit, order: list.New(), byKey: map[string]*list.Element{}}
}

// get returns a master's planes, from memory or from its file.
func (c *masterCache) get(m *Master, s *calib.Sensor) (*loaded, error) {
	c.mu.Lock()
	e := c.byKey[m.Path]
	if e == nil {
		e = c.order.PushFront(&cached{key: m.Path})
		c.byKey[m.Path] = e
	} else {
		c.order.MoveToFront(e)
	}
	entry := e.Value.(*cached)
	c.mu.Unlock()

	entry.once.Do(func() {
		l, err := loadMaster(m, s, forStages)
		c.mu.Lock()
		defer c.mu.Unlock()
		entry.l, entry.err = l, err // under the lock, since evict looks at the entries of others
		if err == nil {
			c.used += l.bytes()
			c.evict(entry)
		}
	})
	return entry.l, entry.err
}

// evict drops the masters that were used longest ago until the rest fits;
// frames that still use them keep them alive.
func (c *masterCache) evict(keep *cached) {
	for c.used > c.limit {
		e := c.order.Back()
		for e != nil && (e.Value.(*cached) == keep || e.Value.(*cached).l == nil) {
			e = e.Prev()
		}
		if e == nil {
			return
		}
		old := c.order.Remove(e).(*cached)
		delete(c.byKey, old.key)
		c.used -= old.l.bytes()
	}
}

// meanOver returns the mean of a plane's finite values over a region in
// image coordinates.
func meanOver(p *calib.Plane, r calib.Region) float64 {
	sum, n := 0.0, 0
	for y := r.Y0; y < r.Y1; y++ {
		for _, v := range p.Value[y*p.Width+r.X0 : y*p.Width+r.X1] {
			if v == v {
				sum += float64(v)
				n++
			}
		}
	}
	return sum / float64(max(n, 1))
}

// chargeOf adds to a line scanner's dark what its masked pixels, to which it is
// relative, gather themselves.
func chargeOf(p *calib.Plane, masked []float64, s *calib.Sensor) *calib.Plane {
	if len(masked) != len(s.Amps) {
		return p
	}
	whole := &calib.Plane{Width: p.Width, Value: slices.Clone(p.Value), Variance: p.Variance}
	for _, g := range s.Segments()[0] {
		for x := g.X0; x < g.X1; x++ {
			whole.Value[x] += float32(masked[g.Amp])
		}
	}
	return whole
}

// typicalSamples bounds the pixels that a typical level is taken from.
const typicalSamples = 1 << 16

// typical returns the median of evenly spread values that are there.
func typical(values []float32) float64 {
	var some []float32
	for i := 0; i < len(values); i += max(1, len(values)/typicalSamples) {
		if v := values[i]; v == v {
			some = append(some, v)
		}
	}
	return float64(calib.Median(some))
}
