package pipeline

import (
	"sync"
	"sync/atomic"
)

// parallel calls do(worker, i) for each 0 <= i < n from the given number of
// goroutines; worker tells them apart, so each may own working memory. After
// an error no further i is begun; the error of the smallest i is returned,
// whatever the number of workers, provided that do depends on i alone.
func parallel(workers, n int, do func(worker, i int) error) error {
	workers = max(1, min(workers, n))
	var next, failedAt atomic.Int64
	failedAt.Store(int64(n))
	errs := make([]error, workers)
	at := make([]int, workers)
	var wg sync.WaitGroup
	for w := range workers {
		wg.Go(func() {
			for {
				i := int(next.Add(1)) - 1
				if i >= n || int64(i) > failedAt.Load() {
					return
				}
				if err := do(w, i); err != nil {
					errs[w], at[w] = err, i
					failedAt.Store(min(failedAt.Load(), int64(i)))
					return
				}
			}
		})
	}
	wg.Wait()
	first := -1
	for w, err := range errs {
		if err != nil && (first < 0 || at[w] < at[first]) {
			first = w
		}
	}
	if first < 0 {
		return nil
	}
	return errs[first]
}
