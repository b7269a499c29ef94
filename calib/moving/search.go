package moving

import (
	"cmp"
	"math"
	"slices"
)

const (
	// anchorSigma is the least answer, in sigmas, from which a search starts.
	anchorSigma = 4
	// mostAnchors bounds the searches on one filter, the strongest first.
	mostAnchors = 3000
	// apart is the overlap of two filters below which the bands speak for
	// themselves.
	apart = 0.25
	// leastShare is the least contrast of a band, as a share of the anchor's,
	// that the search takes for the same thing. It is generous, since places
	// are rounded to cells.
	leastShare = 0.3
)

// point is a place, in cells of a level or in pixels.
type point struct{ x, y float64 }

func (p point) plus(q point, scale float64) point { return point{p.x + scale*q.x, p.y + scale*q.y} }

func (p point) squared(q point) float64 {
	return (p.x-q.x)*(p.x-q.x) + (p.y-q.y)*(p.y-q.y)
}

// candidate is a trajectory that answers to the filter.
type candidate struct {
	filter  *filtered
	at      []point // by band, cells
	sign    float64 // of the contrast
	sigmas  float64
	clutter float64
	merit   float64 // log likelihood gained over clutter, less the cost of the choice of ways
}

// timeline says when each band was exposed, in units of the longest time
// between two bands that follow one another.
type timeline struct {
	when  []float64
	order []int // bands by time
}

// newTimeline makes the timeline of a search. Where there are no times, or
// all are equal, the bands are taken to follow one another evenly: only a
// start for the places, which are then fitted one by one.
func newTimeline(times []float64, bands int) timeline {
	t := timeline{when: make([]float64, bands), order: make([]int, bands)}
	for b := range bands {
		t.order[b], t.when[b] = b, float64(b)
	}
	if !allEqual(times) {
		copy(t.when, times)
	}
	slices.SortStableFunc(t.order, func(a, b int) int { return cmp.Compare(t.when[a], t.when[b]) })
	var longest float64
	for i, b := range t.order[1:] {
		longest = max(longest, t.when[b]-t.when[t.order[i]])
	}
	for b := range t.when {
		t.when[b] /= longest
	}
	return t
}

// allEqual tells whether the times hold no difference.
func allEqual(times []float64) bool {
	for _, t := range times {
		if t != times[0] {
			return false
		}
	}
	return true
}

// search looks for trajectories on one filter.
type search struct {
	*filtered
	times timeline
	reach float64 // longest way between bands that follow one another, cells
	ways  []point // within reach, the shortest first
}

func newSearch(f *filtered, t timeline, maxShiftPx float64) *search {
	s := &search{filtered: f, times: t, reach: maxShiftPx / float64(f.level.bin)}
	whole := int(math.Ceil(s.reach))
	for y := -whole; y <= whole; y++ {
		for x := -whole; x <= whole; x++ {
			if p := (point{float64(x), float64(y)}); p.squared(point{}) <= s.reach*s.reach {
				s.ways = append(s.ways, p)
			}
		}
	}
	slices.SortStableFunc(s.ways, func(a, b point) int {
		return cmp.Compare(a.squared(point{}), b.squared(point{}))
	})
	return s
}

// anchor is an extremum of one band's answer.
type anchor struct {
	band, x, y int
	sigmas     float64
}

// anchors lists the extrema of all bands, the strongest first.
func (s *search) anchors(workers int) []anchor {
	found := make([][]anchor, blocksOf(s.level.height))
	eachBlock(s.level.height, workers, func(block, y0, y1 int) {
		for b := range s.answer {
			for y := max(y0, 1); y < min(y1, s.level.height-1); y++ {
				found[block] = s.anchorsOfRow(found[block], b, y)
			}
		}
	})
	all := slices.Concat(found...)
	slices.SortStableFunc(all, func(a, b anchor) int { return cmp.Compare(b.sigmas, a.sigmas) })
	return all[:min(len(all), mostAnchors)]
}

func (s *search) anchorsOfRow(list []anchor, b, y int) []anchor {
	w := s.level.width
	a, v := s.answer[b], s.vary[b]
	for x := 1; x < w-1; x++ {
		i := y*w + x
		sign := float32(1)
		if a[i] < 0 {
			sign = -1
		}
		c := s.clutter[b].at(x, y)
		if !(a[i]*a[i] > anchorSigma*anchorSigma*c*c*v[i]) || !isPeak(a, i, w, sign) {
			continue
		}
		list = append(list, anchor{b, x, y, math.Abs(float64(a[i])) / math.Sqrt(float64(v[i])) / float64(c)})
	}
	return list
}

// isPeak tells whether no neighbour exceeds cell i.
func isPeak(a []float32, i, width int, sign float32) bool {
	v := a[i] * sign
	for _, j := range [8]int{i - width - 1, i - width, i - width + 1, i - 1, i + 1, i + width - 1, i + width, i + width + 1} {
		if a[j]*sign > v {
			return false
		}
	}
	return true
}

// candidates searches from every anchor.
func (s *search) candidates(workers int) []candidate {
	anchors := s.anchors(workers)
	const each = 2 // the best straight way and the best free one
	found := make([]candidate, each*len(anchors))
	inParallel(len(anchors), workers, func(i int) {
		found[each*i] = s.straight(anchors[i])
		if len(s.answer) > 2 {
			found[each*i+1] = s.free(anchors[i])
		}
	})
	return slices.DeleteFunc(found, func(c candidate) bool { return c.at == nil })
}

// index returns the cell of a place, or -1 outside the level.
func (s *search) index(p point) int {
	x, y := int(math.Floor(p.x+0.5)), int(math.Floor(p.y+0.5))
	if x < 0 || y < 0 || x >= s.level.width || y >= s.level.height {
		return -1
	}
	return y*s.level.width + x
}

// sigmasOf returns the significance of a trajectory under noise:
//
//	z = sum_b A_b(p_b) / sqrt( sum_b V_b - sum_bc V_b V_c K(p_b - p_c) / sum_b V_b ),
//
// with K the overlap of the filters. The second term is there since the
// brightness is common to all bands. It is 0 where the places leave the image
// or are too much alike to tell motion.
func (s *search) sigmasOf(at []point) float64 {
	var sum, all, cross float64
	for b, p := range at {
		i := s.index(p)
		if i < 0 || s.vary[b][i] <= 0 {
			return 0
		}
		v := float64(s.vary[b][i])
		sum += float64(s.answer[b][i])
		all += v
		cross += v * v
		for c, q := range at[:b] {
			cross += 2 * v * float64(s.vary[c][s.index(q)]) * float64(s.correlation(p.squared(q)))
		}
	}
	variance := all - cross/all
	if variance < 1e-3*all {
		return 0
	}
	return sum / math.Sqrt(variance)
}

// alike tells whether the bands that do not overlap have the anchor's sign
// and a contrast that may be the same.
func (s *search) alike(at []point, anchorBand int, sign float64) bool {
	contrast := func(b int) float64 {
		i := s.index(at[b])
		var all float64
		for c := range s.vary {
			all += float64(s.vary[c][i])
		}
		v := float64(s.vary[b][i])
		return sign * float64(s.answer[b][i]) / (v * (1 - v/all))
	}
	want := leastShare * contrast(anchorBand)
	for b, p := range at {
		if b == anchorBand || float64(s.correlation(p.squared(at[anchorBand]))) > apart {
			continue
		}
		if contrast(b) < want {
			return false
		}
	}
	return true
}

// straight returns the best trajectory of even motion through an anchor.
func (s *search) straight(a anchor) candidate {
	n := len(s.answer)
	start, sign := point{float64(a.x), float64(a.y)}, s.signAt(a)
	at, best := make([]point, n), make([]point, n)
	var bestMerit, bestSigmas float64
	var bestWay point
	for _, way := range s.ways {
		s.place(at, start, way, a.band)
		z := s.sigmasOf(at)
		if z*sign <= 0 {
			continue
		}
		if m := s.merit(z, way); m > bestMerit && s.alike(at, a.band, sign) {
			bestMerit, bestSigmas, bestWay = m, z, way
		}
	}
	if bestMerit <= 0 {
		return candidate{}
	}
	s.climb(start, bestWay, a.band, bestSigmas, best)
	return s.candidate(best, sign)
}

func (s *search) signAt(a anchor) float64 {
	if s.answer[a.band][a.y*s.level.width+a.x] < 0 {
		return -1
	}
	return 1
}

// place fills in the places of all bands for a way per unit of time.
func (s *search) place(at []point, start, way point, anchorBand int) {
	for b := range at {
		at[b] = start.plus(way, s.times.when[b]-s.times.when[anchorBand])
	}
}

// merit is the log likelihood gained, less the log of the number of places
// that are as near as the one chosen: of two ways equally good the shorter is
// taken.
func (s *search) merit(z float64, way point) float64 {
	return z*z/2 - math.Log1p(way.squared(point{})/(4*s.sigma*s.sigma))
}

// climb improves start and way by steps of a cell and of half a cell, as long
// as the significance grows, and writes the places to at.
func (s *search) climb(start, way point, anchorBand int, sigmas float64, at []point) {
	best := sigmas * sigmas
	const mostSteps = 40
	for _, step := range [2]float64{1, 0.5} {
		for range mostSteps {
			improved := false
			for _, d := range [8][4]float64{{1}, {-1}, {0, 1}, {0, -1}, {0, 0, 1}, {0, 0, -1}, {0, 0, 0, 1}, {0, 0, 0, -1}} {
				p := start.plus(point{d[0], d[1]}, step)
				v := way.plus(point{d[2], d[3]}, step)
				if v.squared(point{}) > s.reach*s.reach {
					continue
				}
				s.place(at, p, v, anchorBand)
				if z := s.sigmasOf(at); z*sigmas > 0 && z*z > best {
					best, start, way, improved = z*z, p, v, true
				}
			}
			if !improved {
				break
			}
		}
	}
	s.place(at, start, way, anchorBand)
}

// candidate fills in what a trajectory is worth.
func (s *search) candidate(at []point, sign float64) candidate {
	z := s.sigmasOf(at)
	c := candidate{filter: s.filtered, at: at, sign: sign, sigmas: math.Abs(z), clutter: 1}
	for b, p := range at {
		i := s.index(p)
		if i < 0 {
			return candidate{}
		}
		c.clutter = max(c.clutter, float64(s.clutter[b].at(i%s.level.width, i/s.level.width)))
	}
	c.merit = s.merit(z/c.clutter, point{math.Sqrt(longestSquared(at)), 0})
	return c
}

// longestSquared returns the square of the longest way between two places.
func longestSquared(at []point) float64 {
	var longest float64
	for i, p := range at {
		for _, q := range at[:i] {
			longest = max(longest, p.squared(q))
		}
	}
	return longest
}

// free returns the chain of the strongest answers from an anchor, band by
// band in the order of time, each within reach of the one before. Every band
// must be significant by itself, since so many ways are open.
func (s *search) free(a anchor) candidate {
	sign := s.signAt(a)
	at := make([]point, len(s.answer))
	at[a.band] = point{float64(a.x), float64(a.y)}
	k := slices.Index(s.times.order, a.band)
	for i := k + 1; i < len(at); i++ {
		if !s.follow(at, s.times.order[i-1], s.times.order[i], sign) {
			return candidate{}
		}
	}
	for i := k - 1; i >= 0; i-- {
		if !s.follow(at, s.times.order[i+1], s.times.order[i], sign) {
			return candidate{}
		}
	}
	if !s.alike(at, a.band, sign) {
		return candidate{}
	}
	return s.candidate(at, sign)
}

// follow places band to at its strongest answer within reach of band from.
func (s *search) follow(at []point, from, to int, sign float64) bool {
	best := 0.0
	for _, way := range s.ways {
		p := at[from].plus(way, 1)
		i := s.index(p)
		if i < 0 || s.vary[to][i] <= 0 {
			continue
		}
		if z := sign * float64(s.answer[to][i]) / math.Sqrt(float64(s.vary[to][i])); z > best {
			best, at[to] = z, p
		}
	}
	i := s.index(at[to])
	return best > 0 && best > anchorSigma*float64(s.clutter[to].at(i%s.level.width, i/s.level.width))
}
