package archive_test

import "testing"

// The bytes of an archive's products depend neither on the number of goroutines
// nor on whether an archive is kept at all.
func TestProductsAreTheSameForAnyNumberOfWorkers(t *testing.T) {
	t.Parallel()
	for _, camera := range []string{"quillon", "tarn", "sallow"} {
		t.Run(camera, func(t *testing.T) {
			t.Parallel()
			c := mustSimulate(t, camera)
			want := inCamera(camera, calibrated(t, c, c.masters, c.scenes))
			for _, workers := range []int{1, 4} {
				h := newHouse(t, camera, nil)
				h.workers = workers
				h.reopen()
				h.arrive(c.scenes...)
				h.pass()
				sameContents(t, "products", h.products(), want)
			}
		})
	}
}
