package align

import (
	"sync"
	"sync/atomic"
)

// parallel calls do for every i below n, on several workers at once. What do
// writes must depend on i alone, so that the result does not depend on the
// number of workers; worker numbers scratch space.
func parallel(workers, n int, do func(worker, i int)) {
	workers = max(1, min(workers, n))
	if workers == 1 {
		for i := range n {
			do(0, i)
		}
		return
	}
	var next atomic.Int64
	var wg sync.WaitGroup
	for w := range workers {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				do(w, i)
			}
		})
	}
	wg.Wait()
}

// blockRows is the number of rows that a worker takes at a time. It is fixed,
// so that results do not depend on the number of workers.
const blockRows = 32

// eachBlock calls do for consecutive ranges of rows that cover [0, rows).
func eachBlock(workers, rows int, do func(worker, y0, y1 int)) {
	parallel(workers, (rows+blockRows-1)/blockRows, func(worker, i int) {
		do(worker, i*blockRows, min(rows, (i+1)*blockRows))
	})
}
