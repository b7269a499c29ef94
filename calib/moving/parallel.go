package moving

import (
	"sync"
	"sync/atomic"
)

// blockRows is the height of the blocks of rows that are shared out among
// workers. It is fixed, so sums do not depend on the number of workers.
const blockRows = 64

// inParallel calls do for 0 <= i < n from the given number of workers.
func inParallel(n, workers int, do func(i int)) {
	workers = min(max(workers, 1), n)
	if workers <= 1 {
		for i := range n {
			do(i)
		}
		return
	}
	var next atomic.Int64
	var all sync.WaitGroup
	for range workers {
		all.Go(func() {
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				do(i)
			}
		})
	}
	all.Wait()
}

// blocksOf returns the number of blocks of rows.
func blocksOf(rows int) int { return (rows + blockRows - 1) / blockRows }

// eachBlock calls do for every block of rows.
func eachBlock(rows, workers int, do func(block, y0, y1 int)) {
	inParallel(blocksOf(rows), workers, func(i int) {
		do(i, i*blockRows, min(rows, (i+1)*blockRows))
	})
}
