package page

import (
	"runtime/metrics"
	"time"
)

// watchHeap looks at the memory of live and dead objects while something runs;
// the function that it returns ends that and returns the most that was seen.
func watchHeap() func() uint64 {
	stop, most := make(chan struct{}), make(chan uint64)
	go func() {
		peak := uint64(0)
		one := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
		for {
			metrics.Read(one)
			peak = max(peak, one[0].Value.Uint64())
			select {
			case <-stop:
				most <- peak
				return
			case <-time.After(5 * time.Millisecond):
			}
		}
	}()
	return func() uint64 {
		close(stop)
		return <-most
	}
}
