package ledger_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"evenlight/pipeline/ledger"
)

// place is where the i-th frame lies.
func place(i int) ledger.Place {
	return ledger.Place{Folder: "/archive/quillon", Name: fmt.Sprintf("%06d-scene.fits", i), Stamp: fmt.Sprint("2104320 ", i), SHA256: of("raw", i), Since: start}
}

// hostileNames are names that file systems allow.
var hostileNames = []string{
	"\x01", "\t\n\r", "%00", "'; DROP TABLE place; --", "-rf", "a", "a b", "a\"b", "a\nb", "a\\b", "ab", "e\u0301", "\u00e9", "\u65e5\u672c", "\xc3", "\xff\xfe",
	strings.Repeat("\xff", 255),
}

func TestPlacesComeBackAsTheyWereInTheOrderOfTheirBytes(t *testing.T) {
	var want []ledger.Place
	for i, name := range hostileNames {
		p := place(i)
		p.Folder, p.Name = "/a folder\nof \xff", name
		want = append(want, p)
	}
	slices.SortFunc(want, func(a, b ledger.Place) int { return strings.Compare(a.Name, b.Name) })
	want[3].SHA256, want[4].Since, want[5].Stamp = ledger.Hash{}, ledger.Place{}.Since, ""
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		backwards := slices.Clone(want)
		slices.Reverse(backwards)
		must(t, l.SetPlaces(ctx, backwards...))
		must(t, l.SetPlaces(ctx, place(1)))
		if is := got[[]ledger.Place](t)(l.PlacesIn(ctx, want[0].Folder)); !slices.Equal(is, want) {
			t.Errorf("places\n%+v, want\n%+v", is, want)
		}
		if is := got[[]ledger.Place](t)(l.PlacesIn(ctx, "/a folder")); is != nil {
			t.Errorf("places in a folder that is not known: %+v", is)
		}
	})
}

func TestHostileNamesOfFramesAndProductsComeBack(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		made(t, l)
		for i, name := range hostileNames {
			o := outcome(i)
			o.Frame.Path, o.Frame.Name, o.Product.Path = "/in/"+name, name, "/out/"+name
			must(t, l.Record(ctx, o))
			f := got[ledger.Frame](t)(l.Frame(ctx, o.Frame.SHA256))
			p, _, err := l.Product(ctx, ledger.ProductID(o.Product.Identity))
			must(t, err)
			if f.Path != o.Frame.Path || f.Name != o.Frame.Name || p.Path != o.Product.Path {
				t.Errorf("%q: frame at %q named %q, product at %q", name, f.Path, f.Name, p.Path)
			}
		}
	})
}

func TestAPlaceTakesWhatIsLastKnownOfIt(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		p := place(1)
		must(t, l.SetPlaces(ctx, p, place(2)))
		p.Stamp, p.SHA256, p.Since = "7 8", ledger.Hash{}, start.Add(1)
		must(t, l.SetPlaces(ctx, p))
		if is, want := got[[]ledger.Place](t)(l.PlacesIn(ctx, p.Folder)), []ledger.Place{p, place(2)}; !slices.Equal(is, want) {
			t.Errorf("places\n%+v, want\n%+v", is, want)
		}
		if is := got[[]ledger.Place](t)(l.PlacesOf(ctx, of("raw", 1))); is != nil {
			t.Errorf("the content from before is still at %+v", is)
		}
	})
}

func TestTheSameContentMayLieAtSeveralPlaces(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		var want []ledger.Place
		for _, where := range [][2]string{{"/a", "2"}, {"/a", "3"}, {"/a ", "1"}, {"/a/b", "1"}, {"/\xff", "1"}} { // sorted
			p := place(1)
			p.Folder, p.Name = where[0], where[1]
			want = append(want, p)
		}
		must(t, l.SetPlaces(ctx, want[3], want[1], want[4], want[0], want[2], place(2)))
		if is := got[[]ledger.Place](t)(l.PlacesOf(ctx, of("raw", 1))); !slices.Equal(is, want) {
			t.Errorf("places\n%+v, want\n%+v", is, want)
		}
		folders := []string{"/a", "/a ", "/a/b", "/archive/quillon", "/\xff"}
		if is := got[[]string](t)(l.PlaceFolders(ctx)); !slices.Equal(is, folders) {
			t.Errorf("folders %q, want %q", is, folders)
		}
		must(t, l.DropPlaces(ctx, "/a", "3", "2", "never there"))
		must(t, l.DropPlaces(ctx, "/a/b"))
		if is := got[[]ledger.Place](t)(l.PlacesOf(ctx, of("raw", 1))); !slices.Equal(is, want[2:]) {
			t.Errorf("after dropping two\n%+v, want\n%+v", is, want[2:])
		}
		if is := got[[]string](t)(l.PlaceFolders(ctx)); !slices.Equal(is, folders[1:]) {
			t.Errorf("folders %q, want %q", is, folders[1:])
		}
	})
}

func TestOfPlacesAllAreRecordedOrNone(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		for name, spoil := range map[string]func(*ledger.Place){
			"no folder": func(p *ledger.Place) { p.Folder = "" },
			"no name":   func(p *ledger.Place) { p.Name = "" },
			"no text":   func(p *ledger.Place) { p.Stamp = "\xff" },
			"no time":   func(p *ledger.Place) { p.Since = start.AddDate(300, 0, 0) },
		} {
			bad := place(2)
			spoil(&bad)
			if err := l.SetPlaces(context.Background(), place(1), bad); err == nil {
				t.Errorf("%s is recorded", name)
			}
			if left := got[string](t)(l.Dump(context.Background())); left != "" {
				t.Errorf("%s leaves\n%s", name, left)
			}
		}
	})
}
