package archive

import (
	"context"
	"path/filepath"
	"time"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/ledger"
)

// foresight foretells what products would be made from now. It belongs to one
// goroutine.
type foresight struct {
	a         *Archive
	choosers  map[*source]*pipeline.Chooser
	exposures map[*source]*pipeline.Exposures // nil where nothing is left by the frame before
}

func (a *Archive) newForesight(exposures map[*source]*pipeline.Exposures) *foresight {
	see := &foresight{a, map[*source]*pipeline.Chooser{}, exposures}
	for _, s := range a.sources {
		see.choosers[s] = pipeline.NewChooser(s.in, a.masters.lib)
	}
	return see
}

// product foretells the product of a part. missing says that a master is not
// there; the identity then is that of the attempt.
func (f *foresight) product(s *source, raw ledger.Hash, p *ledger.Part) (id ledger.Identity, missing, err error) {
	n := needOf(p)
	inputs, missing := f.choosers[s].Inputs(n, f.exposures[s])
	id, err = s.identity(raw, n, p.Plane, inputs)
	return id, missing, err
}

// attempt foretells the identity of what failed before, if it were tried now.
func (f *foresight) attempt(s *source, frame *ledger.Frame, failure *ledger.Failure) (ledger.Hash, error) {
	for i := range frame.Parts {
		if p := &frame.Parts[i]; failure.Detector != "" && p.Detector == failure.Detector && p.Plane == failure.Plane {
			id, _, err := f.product(s, frame.SHA256, p)
			return ledger.ProductID(id), err
		}
	}
	return s.wholeFile(frame.SHA256), nil
}

// reach is the time after which nothing of a frame is left in those after it.
func (s *source) reach() time.Duration {
	return time.Duration(s.in.ResidualGapS() * pipeline.ResidualDepth * float64(time.Second))
}

// exposuresOf gathers, for the sources whose frames keep something of the ones
// before, what the ledger knows of those that may have left something in frames
// of a span of time; the zero times leave it open.
func (a *Archive) exposuresOf(ctx context.Context, from, to time.Time) (map[*source]*pipeline.Exposures, error) {
	all := map[*source]*pipeline.Exposures{}
	for _, s := range a.sources {
		if s.in.ResidualGapS() == 0 {
			continue
		}
		filter := ledger.Filter{Instrument: s.in.Profile.Instrument}
		if !from.IsZero() {
			filter.From = from.Add(-s.reach())
		}
		if !to.IsZero() {
			filter.To = to.Add(s.reach())
		}
		var list []pipeline.Exposure
		err := a.led.EachFrame(ctx, pipeline.ProductFrame, filter, func(row *ledger.FrameRow) error {
			if row.Path != "" {
				list = append(list, pipeline.Exposure{Need: needOf(&row.Part), Path: row.Path, SHA256: row.Frame.String(),
					Plane: max(row.Plane-1, 0), Broken: row.Kind == kindUnreadable})
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
		all[s] = s.in.NewExposures(list)
	}
	return all, nil
}

// followers makes tasks of the frames that came soon after exposures that are
// new, and whose products therefore have become stale.
func (a *Archive) followers(ctx context.Context, see *foresight, fresh map[*source][]time.Time) ([]task, error) {
	byFrame := map[ledger.Hash]*task{}
	var order []*task
	for _, s := range a.sources {
		for _, at := range fresh[s] {
			filter := ledger.Filter{Instrument: s.in.Profile.Instrument, Kind: configs.KindScene, From: at, To: at.Add(s.reach())}
			err := a.led.EachFrame(ctx, pipeline.ProductFrame, filter, func(row *ledger.FrameRow) error {
				id, missing, err := see.product(s, row.Frame, &row.Part)
				if err != nil || missing != nil || row.Product.IsZero() || row.Product == ledger.ProductID(id) {
					return err
				}
				t := byFrame[row.Frame]
				if t == nil {
					t = &task{src: s, path: row.Path, read: row.Path, remake: map[partKey]bool{}, only: true}
					byFrame[row.Frame], order = t, append(order, t)
				}
				t.remake[partKey{row.Detector, row.Plane}] = true
				return nil
			})
			if err != nil {
				return nil, err
			}
		}
	}
	tasks := make([]task, 0, len(order))
	for _, t := range order {
		if filepath.IsAbs(t.path) {
			tasks = append(tasks, *t)
		}
	}
	return tasks, nil
}
