package calib

import "testing"

func TestRegionArithmetic(t *testing.T) {
	r := Region{2, 10, 3, 7}
	if r.Width() != 8 || r.Height() != 4 {
		t.Errorf("size is %d x %d, want 8 x 4", r.Width(), r.Height())
	}
	for _, c := range []struct {
		name    string
		with    Region
		want    Region
		nothing bool
	}{
		{"inside", Region{3, 5, 4, 5}, Region{3, 5, 4, 5}, false},
		{"corner", Region{9, 20, 6, 20}, Region{9, 10, 6, 7}, false},
		{"side by side", Region{10, 12, 3, 7}, Region{}, true},
		{"above", Region{2, 10, 7, 9}, Region{}, true},
		{"empty", Region{}, Region{}, true},
	} {
		got := r.Intersect(c.with)
		if got != c.want || got.Empty() != c.nothing || c.with.Intersect(r) != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
	if got, want := r.Shift(-2, 5), (Region{0, 8, 8, 12}); got != want {
		t.Errorf("shifted: %v, want %v", got, want)
	}
	if got, want := r.String(), "columns 3-10 rows 4-7"; got != want {
		t.Errorf("written %q, want %q", got, want)
	}
}
