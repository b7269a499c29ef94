package pipeline

import (
	"evenlight/calib"
	"evenlight/configs"
)

// blockRows is the number of image rows that one job finishes where passes
// follow the chain. It is larger than bandRows because the rows of the halo go
// through the chain twice. Results do not depend on it.
const blockRows = 128

// passes makes the passes that follow the chain of a frame, in the order in
// which they act. This is the one place where they are listed.
func (p *plan) passes() ([]calib.Pass, error) {
	var out []calib.Pass
	if p.in.stageOn(configs.StageHits, p.frame.Detector) {
		d, err := p.hits()
		if err != nil {
			return nil, err
		}
		out = append(out, d)
	}
	if p.in.stageOn(configs.StageFill, p.frame.Detector) {
		out = append(out, p.fill())
	}
	return out, nil
}

// after is the working memory of one goroutine for the passes of one frame.
type after struct {
	block   calib.Block
	passes  []calib.Pass
	workers []calib.PassWorker
}

// start readies the memory for a frame.
func (a *after) start(passes []calib.Pass, im calib.Region) {
	a.passes, a.workers = passes, a.workers[:0]
	if len(passes) == 0 {
		return
	}
	for _, p := range passes {
		a.workers = append(a.workers, p.Worker())
	}
	b := &a.block
	b.Width, b.ImageRows = im.Width(), im.Height()
	n := b.Width * min(b.ImageRows, blockRows+2*a.halo())
	if cap(b.Value) < n {
		b.Value, b.Variance, b.Flags = make([]float32, n), make([]float32, n), make([]calib.Flags, n)
	}
}

// halo is the number of rows around a block that all passes together need: each
// needs its own around what the ones behind it read.
func (a *after) halo() int {
	sum := 0
	for _, p := range a.passes {
		sum += p.Halo()
	}
	return sum
}

// take makes the block hold rows y0 <= y < y1.
func (a *after) take(y0, y1 int) {
	b := &a.block
	n := b.Width * (y1 - y0)
	b.Top, b.Height = y0, y1-y0
	b.Value, b.Variance, b.Flags = b.Value[:n], b.Variance[:n], b.Flags[:n]
}

// put keeps a row that comes from the chain.
func (a *after) put(r *calib.Row) {
	at := a.block.At(r.Y)
	copy(a.block.Value[at:], r.V)
	copy(a.block.Variance[at:], r.Var[:len(r.V)])
	copy(a.block.Flags[at:], r.Flags[:len(r.V)])
}

// apply takes the block through the passes, so that rows y0 <= y < y1 are
// finished.
func (a *after) apply(y0, y1 int) {
	halo := a.halo()
	for i, w := range a.workers {
		halo -= a.passes[i].Halo()
		w.Apply(&a.block, max(0, y0-halo), min(a.block.ImageRows, y1+halo))
	}
}

// row returns a finished row of the block.
func (a *after) row(y int) calib.Row {
	b := &a.block
	from, to := b.At(y), b.At(y+1)
	return calib.Row{Y: y, V: b.Value[from:to], Var: b.Variance[from:to], Flags: b.Flags[from:to]}
}

// runWithPasses makes rows y0 <= y < y1 of the product: the chain treats them
// and the halo around them, then come the passes.
func (w *worker) runWithPasses(chain *calib.Chain, y0, y1 int) error {
	halo := w.after.halo()
	top, bottom := max(0, y0-halo), min(chain.Sensor.Image.Height(), y1+halo)
	w.after.take(top, bottom)
	err := chain.Run(&w.rows, top, bottom, &w.scratch, func(r *calib.Row) error {
		w.after.put(r)
		return nil
	})
	if err != nil {
		return err
	}
	w.after.apply(y0, y1)
	for y := y0; y < y1; y++ {
		r := w.after.row(y)
		w.encode(&r, y-y0)
	}
	return nil
}
