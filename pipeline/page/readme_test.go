package page

import (
	"os"
	"reflect"
	"strings"
	"testing"
)

// keysOf lists the JSON keys of a type and of all that it holds.
func keysOf(t reflect.Type, keys map[string]bool, seen map[reflect.Type]bool) {
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct || seen[t] {
		return
	}
	seen[t] = true
	for i := range t.NumField() {
		f := t.Field(i)
		if key, _, _ := strings.Cut(f.Tag.Get("json"), ","); key != "-" {
			keys[key] = true
			keysOf(f.Type, keys, seen)
		}
	}
}

func TestTheReadmeNamesEachKeyAndColumn(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, section, _ := strings.Cut(string(text), "\n### A page to look at\n")
	section, _, _ = strings.Cut(section, "\n## ")
	keys := map[string]bool{}
	keysOf(reflect.TypeFor[Page](), keys, map[reflect.Type]bool{})
	keysOf(reflect.TypeFor[Part](), keys, map[reflect.Type]bool{})
	for _, head := range [][]string{frameHead, masterHead, failureHead, trendHead} {
		for _, column := range head {
			keys[column] = true
		}
	}
	if len(keys) < 50 {
		t.Fatalf("only %d keys are found", len(keys))
	}
	for key := range keys {
		if !strings.Contains(section, "`"+key+"`") {
			t.Errorf("the README does not name %s", key)
		}
	}
}
