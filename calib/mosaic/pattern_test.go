package mosaic

import (
	"slices"
	"strings"
	"testing"
)

func TestPatternsThatCannotBe(t *testing.T) {
	wide := [][]string{{"a", "b", "c", "d", "e", "f", "g", "h", "i"}}
	for _, c := range []struct {
		name  string
		cells [][]string
		want  string
	}{
		{"no rows", nil, "empty"},
		{"an empty row", [][]string{{}}, "empty"},
		{"ragged rows", [][]string{{"red", "green"}, {"blue"}}, "row 2 has 1 colours and row 1 has 2"},
		{"no name", [][]string{{"red", ""}}, "row 1, column 2"},
		{"too wide", wide, "9 columns"},
	} {
		if _, err := New(c.cells); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", c.name, err, c.want)
		}
	}
}

func TestPatternRepeats(t *testing.T) {
	p := mustNew(t, [][]string{{"green", "red", "clear"}, {"blue", "green", "red"}})
	if want := []string{"green", "red", "clear", "blue"}; !slices.Equal(p.Colours(), want) {
		t.Errorf("colours %v, want %v", p.Colours(), want)
	}
	for _, c := range []struct {
		x, y int
		want string
	}{
		{0, 0, "green"}, {2, 0, "clear"}, {3, 0, "green"}, {5, 4, "clear"}, {0, 1, "blue"}, {7, 3, "green"}, {-1, -1, "red"}, {-3, 2, "green"},
	} {
		if got := p.Colours()[p.At(c.x, c.y)]; got != c.want {
			t.Errorf("pixel %d, %d is %s, want %s", c.x, c.y, got, c.want)
		}
	}
}

func TestTrimmedImageKeepsTheColoursOfItsPixels(t *testing.T) {
	p := mustNew(t, sparse)
	for _, by := range [][2]int{{0, 0}, {1, 0}, {3, 2}, {17, 5}, {-1, -2}} {
		q := p.Shift(by[0], by[1])
		for y := range 9 {
			for x := range 9 {
				if q.At(x, y) != p.At(x+by[0], y+by[1]) {
					t.Fatalf("trimmed by %v: pixel %d, %d changes its colour", by, x, y)
				}
			}
		}
		if !slices.Equal(q.Colours(), p.Colours()) {
			t.Errorf("trimmed by %v: colours %v, want %v", by, q.Colours(), p.Colours())
		}
	}
}

func TestPatternIsCutToItsSmallestCell(t *testing.T) {
	for _, c := range []struct {
		name  string
		cells [][]string
		w, h  int
	}{
		{"four cells of two greens", [][]string{{"r", "g", "r", "g"}, {"g", "b", "g", "b"}, {"r", "g", "r", "g"}, {"g", "b", "g", "b"}}, 2, 2},
		{"stripes written twice", [][]string{{"r", "g", "b"}, {"r", "g", "b"}}, 3, 1},
		{"one colour", [][]string{{"r", "r"}, {"r", "r"}}, 1, 1},
		{"nothing repeats", quad, 4, 4},
	} {
		if w, h := mustNew(t, c.cells).Size(); w != c.w || h != c.h {
			t.Errorf("%s: %d×%d, want %d×%d", c.name, w, h, c.w, c.h)
		}
	}
}

func TestFrameThatThePatternDoesNotDivide(t *testing.T) {
	p := mustNew(t, sparse)
	if err := p.Divides(64, 32); err != nil {
		t.Errorf("64×32: %v", err)
	}
	for _, size := range [][2]int{{63, 32}, {64, 30}} {
		if p.Divides(size[0], size[1]) == nil {
			t.Errorf("%d×%d passes", size[0], size[1])
		}
	}
}

func TestDiagonalColour(t *testing.T) {
	for _, c := range []struct {
		cells [][]string
		want  string
	}{
		{rggb, "green"},
		{[][]string{{"g", "b"}, {"r", "g"}}, "g"},
		{[][]string{{"b", "w"}, {"w", "r"}}, "w"},
		{clear2, ""},
		{[][]string{{"g", "g"}, {"r", "b"}}, ""},
		{[][]string{{"g", "r"}, {"r", "g"}}, ""},
		{quad, ""},
	} {
		p, name := mustNew(t, c.cells), ""
		if d := p.diagonal(); d >= 0 {
			name = p.Colours()[d]
		}
		if name != c.want {
			t.Errorf("%v: diagonal %q, want %q", c.cells, name, c.want)
		}
	}
}
