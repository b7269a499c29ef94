package configs

import (
	"bytes"
	"encoding/json"
	"fmt"
	"path/filepath"
	"slices"
	"sort"
	"strconv"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"go.yaml.in/yaml/v3"
)

// schemaTree gives a published schema as plain JSON values.
func schemaTree(t testing.TB, schema []byte) map[string]any {
	t.Helper()
	var tree map[string]any
	if err := json.Unmarshal(schema, &tree); err != nil {
		t.Fatal(err)
	}
	return tree
}

// compiled gives a schema ready to judge documents, by an implementation of
// JSON Schema that is not ours.
func compiled(t testing.TB, text []byte) *jsonschema.Schema {
	t.Helper()
	document, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("published.schema.json", document); err != nil {
		t.Fatal(err)
	}
	schema, err := c.Compile("published.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	return schema
}

func TestTheSchemasAreValidJSONSchema(t *testing.T) {
	draft, err := jsonschema.NewCompiler().Compile("https://json-schema.org/draft/2020-12/schema")
	if err != nil {
		t.Fatal(err)
	}
	for name, schema := range map[string][]byte{"profile": Schema(), "archive": ArchiveSchema()} {
		if err := draft.Validate(schemaTree(t, schema)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// schemaWalk goes through the schema and the Go types side by side.
type schemaWalk struct {
	t        *testing.T
	format   *format
	root     map[string]any
	defaults map[string]any // by path, as the schema states them
}

// resolved follows a reference; what stands beside it wins over what it leads to.
func (w *schemaWalk) resolved(s map[string]any) map[string]any {
	ref, ok := s["$ref"].(string)
	if !ok {
		return s
	}
	target := w.root["$defs"].(map[string]any)[strings.TrimPrefix(ref, "#/$defs/")].(map[string]any)
	merged := map[string]any{}
	for _, m := range []map[string]any{w.resolved(target), s} {
		for k, v := range m {
			merged[k] = v
		}
	}
	return merged
}

func (w *schemaWalk) visit(path string, s map[string]any, sh *shape) {
	s = w.resolved(s)
	if text, _ := s["description"].(string); text == "" && path != "" && !strings.HasSuffix(path, ".*") {
		w.t.Errorf("%s has no description", path)
	}
	if value, ok := s["default"]; ok {
		w.defaults[path] = value
	}
	if want := schemaType(sh); fmt.Sprint(s["type"]) != want {
		w.t.Errorf("%s has the type %v, not %s", path, s["type"], want)
	}
	switch sh.kind {
	case objectShape:
		w.object(path, s, sh)
	case listShape:
		if sh.length > 0 && (s["minItems"] != float64(sh.length) || s["maxItems"] != float64(sh.length)) {
			w.t.Errorf("%s is not held to %d elements", path, sh.length)
		}
		w.visit(join(path, "*"), s["items"].(map[string]any), sh.elem)
	}
}

// schemaType gives the JSON type of a shape.
func schemaType(sh *shape) string {
	switch sh.kind {
	case objectShape:
		return "object"
	case listShape:
		return "array"
	case integerShape:
		return "integer"
	case numberShape:
		return "number"
	case switchShape:
		return "boolean"
	}
	if sh.style == headerText {
		return "[string number boolean]"
	}
	return "string"
}

func (w *schemaWalk) object(path string, s map[string]any, sh *shape) {
	if s["additionalProperties"] != false {
		w.t.Errorf("%s lets other keys pass", path)
	}
	properties := s["properties"].(map[string]any)
	if got, want := sortedKeys(properties), slices.Sorted(slices.Values(sh.keys())); !slices.Equal(got, want) {
		w.t.Fatalf("%s: the schema has the keys %v, the types %v", path, got, want)
	}
	var required, needed []string
	if list, ok := s["required"].([]any); ok {
		for _, r := range list {
			required = append(required, r.(string))
		}
	}
	for _, f := range sh.fields {
		if f.required && w.mustBeWritten(join(path, f.name), f.shape) {
			needed = append(needed, f.name)
		}
		w.visit(join(path, f.name), properties[f.name].(map[string]any), f.shape)
	}
	sort.Strings(required)
	sort.Strings(needed)
	if !slices.Equal(required, needed) {
		w.t.Errorf("%s: the schema requires %v, the code %v", path, required, needed)
	}
}

// mustBeWritten tells whether defaults leave a required value, or something
// within it, for the file to give.
func (w *schemaWalk) mustBeWritten(path string, sh *shape) bool {
	filled := slices.ContainsFunc(w.format.defaults, func(d defaultSetting) bool {
		return d.path == path || sh.kind == objectShape && strings.HasPrefix(d.path, path+".")
	})
	return !filled || slices.ContainsFunc(sh.fields, func(f fieldShape) bool {
		return f.required && w.mustBeWritten(join(path, f.name), f.shape)
	})
}

func sortedKeys(m map[string]any) []string {
	names := make([]string, 0, len(m))
	for k := range m {
		names = append(names, k)
	}
	sort.Strings(names)
	return names
}

func TestTheSchemaHasTheKeysTypesAndDefaultsOfTheCode(t *testing.T) {
	t.Run("profile", func(t *testing.T) { compareSchema(t, Schema(), profileFormat()) })
	t.Run("archive", func(t *testing.T) { compareSchema(t, ArchiveSchema(), archiveFormat()) })
}

func compareSchema(t *testing.T, schema []byte, f *format) {
	root := schemaTree(t, schema)
	w := schemaWalk{t: t, format: f, root: root, defaults: map[string]any{}}
	w.visit("", root, f.shape)
	for _, d := range f.defaults {
		got, ok := w.defaults[d.path]
		if !ok || fmt.Sprint(got) != d.value {
			t.Errorf("the schema's default of %s is %v, the code's %s", d.path, got, d.value)
		}
		delete(w.defaults, d.path)
	}
	for path, value := range w.defaults {
		t.Errorf("the schema has the default %v of %s, the code has none", value, path)
	}
}

func TestTheSchemaListsTheStages(t *testing.T) {
	items := schemaTree(t, Schema())["properties"].(map[string]any)["stages_off"].(map[string]any)["items"].(map[string]any)
	if got, want := fmt.Sprint(items["enum"]), fmt.Sprint(SwitchableStages()); got != want {
		t.Errorf("the schema lists %s, the code %s", got, want)
	}
}

// document gives a profile's text as plain values, read by the YAML library
// alone.
func document(t testing.TB, text []byte) map[string]any {
	t.Helper()
	var d map[string]any
	if err := yaml.Unmarshal(text, &d); err != nil {
		t.Fatal(err)
	}
	return d
}

func TestTheSchemaTakesEveryProfileThatComesWithTheProject(t *testing.T) {
	schema := compiled(t, Schema())
	for path, text := range goodProfiles(t) {
		if err := schema.Validate(document(t, text)); err != nil {
			t.Errorf("%s: %v", path, err)
		}
	}
}

func TestSchemaAndCodeJudgeAlike(t *testing.T) {
	schema := compiled(t, Schema())
	minimal, err := readFile(filepath.Join("..", "testdata", "profiles", "minimal.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name     string
		old, new string
		good     bool
	}{
		{"as it is", "adc_bits: 16", "adc_bits: 16", true},
		{"whole number written as a fraction", "adc_bits: 16", "adc_bits: 16.0", true},
		{"empty section of which all has defaults", "bands:", "masters: {}\nbands:", true},
		{"empty list of stages", "bands:", "stages_off: []\nbands:", true},
		{"number where a header's text is meant", "- kind: scene", "- {kind: scene, when: [{key: A, equals: 1}]}", true},
		{"switch where a header's text is meant", "- kind: scene", "- {kind: scene, when: [{key: A, one_of: [true, 2, x]}]}", true},
		{"constant exposure", "{key: EXPOSURE, unit: s}", "{default: 2}", true},
		{"long keyword", "key: EXPOSURE", "key: HIERARCH CAM EXPOSURE", true},
		{"HDU by number", "width: 64", "hdu: 1\n    width: 64", true},
		{"HDU by name and version", "width: 64", "hdu: RAW CHIP, 2\n    width: 64", true},
		{"no HDU in quotes", "width: 64", "hdu: ''\n    width: 64", true},
		{"one offset a frame", "{from: bias}", "{from: bias, smooth_rows: 0}", true},
		{"odd number of rows", "{from: bias}", "{from: bias, smooth_rows: 7}", true},
		{"law with its value", "law: constant", "law: constant, energy_ev: 0.6", true},

		{"unknown key", "adc_bits: 16", "adc_bits: 16\n    depth: 3", false},
		{"missing key", "    adc_bits: 16\n", "", false},
		{"missing section", "bands:\n  - name: only\n", "", false},
		{"null", "adc_bits: 16", "adc_bits:", false},
		{"text for a number", "adc_bits: 16", "adc_bits: many", false},
		{"fraction for a whole number", "adc_bits: 16", "adc_bits: 16.5", false},
		{"number out of range", "adc_bits: 16", "adc_bits: 0", false},
		{"bound that does not count", "gain_e_per_dn: 1", "gain_e_per_dn: 0", false},
		{"name in capitals", "instrument: least", "instrument: Least", false},
		{"name that is too long", "instrument: least", "instrument: " + strings.Repeat("x", 33), false},
		{"keyword in small letters", "key: EXPOSURE", "key: exposure", false},
		{"unknown unit", "unit: s", "unit: h", false},
		{"unit of another dimension", "unit: s", "unit: K", false},
		{"unit that is missing", "{key: EXPOSURE, unit: s}", "{key: EXPOSURE}", false},
		{"quantity without a source", "{key: EXPOSURE, unit: s}", "{unit: s}", false},
		{"unknown time form", "form: iso8601", "form: tai", false},
		{"no scenes", "- kind: scene", "- kind: flat", false},
		{"no rules", "frame_kinds:\n  - kind: scene", "frame_kinds: []", false},
		{"no test", "- kind: scene", "- {kind: scene, when: [{key: A}]}", false},
		{"two tests", "- kind: scene", "- {kind: scene, when: [{key: A, above: 1, below: 2}]}", false},
		{"three ends of a range", "image: {columns: [1, 64]", "image: {columns: [1, 2, 64]", false},
		{"even number of rows", "{from: bias}", "{from: bias, smooth_rows: 4}", false},
		{"clipping into the noise", "{from: bias}", "{from: bias, reject_sigma: 2.5}", false},
		{"unknown law", "law: constant", "law: linear", false},
		{"law without its value", "law: constant", "law: doubling", false},
		{"law with another's value", "law: constant", "law: activation, interval_k: 7", false},
		{"stage that stays on", "bands:", "stages_off: [radiance]\nbands:", false},
		{"stage twice", "bands:", "stages_off: [flat, flat]\nbands:", false},
		{"no detectors", "  - name: only\n    width", "  - naem: only\n    width", false},
		{"HDU without a name", "width: 64", "hdu: ',2'\n    width: 64", false},
		{"HDU of version 0", "width: 64", "hdu: 'RAW,0'\n    width: 64", false},
		{"letter outside ASCII", "key: DATE-OBS", "key: DATÉ-OBS", false},
		{"quantity that is unknown", "bands:", "output: {quantity: counts}\nbands:", false},
		{"format of the future", "format: 1", "format: 2", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := []byte(edited(t, string(minimal), c.old, c.new))
			_, parseErr := Parse("camera.yaml", text, Overrides{})
			schemaErr := schema.Validate(document(t, text))
			if (parseErr == nil) != c.good {
				t.Errorf("the code says: %v", parseErr)
			}
			if (schemaErr == nil) != c.good {
				t.Errorf("the schema says: %v", schemaErr)
			}
		})
	}
}

// mutation is a document with one value changed.
type mutation struct {
	path  string
	value any
	text  []byte
}

// mutations gives copies of a document in which each value in turn is taken
// out or replaced by values of every kind.
//
// Values at paths that wanted refuses are left alone.
func mutations(t *testing.T, text []byte, wanted func(path string) bool) []mutation {
	odd := []any{nil, "text", "", "é", -1, 0, 1, 2.5, 1_000_000_000, true, []any{}, map[string]any{}, []any{1, 2}}
	var all []mutation
	root := document(t, text)
	note := func(path string, value any) {
		if !wanted(path) {
			return
		}
		all = append(all, mutation{path, value, marshalled(t, root)})
	}
	var walk func(v any, path string)
	walk = func(v any, path string) {
		switch v := v.(type) {
		case map[string]any:
			for _, k := range sortedKeys(v) {
				was := v[k]
				delete(v, k)
				note(join(path, k), "(taken out)")
				for _, o := range odd {
					v[k] = o
					note(join(path, k), o)
				}
				v[k] = was
				walk(was, join(path, k))
			}
		case []any:
			for i, was := range v[:min(len(v), 2)] { // further elements are of the same kind
				for _, o := range odd {
					v[i] = o
					note(join(path, strconv.Itoa(i)), o)
				}
				v[i] = was
				walk(was, join(path, strconv.Itoa(i)))
			}
		}
	}
	walk(root, "")
	return all
}

// marshalled writes plain values as YAML, by the library alone.
func marshalled(t testing.TB, values any) []byte {
	t.Helper()
	text, err := yaml.Marshal(values)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// ofSomeCamerasOnly tells whether a path leads to what most cameras do not
// have; of several detectors the first stands for all.
func ofSomeCamerasOnly(path string) bool {
	if strings.HasPrefix(path, "detectors.1.") {
		return false
	}
	parts := []string{"line_time_s", "charge_stages", "binning", "ground_speed_m_s", "footprint_m", "plane", "zones", "response",
		"mosaic", "strips", "rolling", "smear", "decompanding", "line_scan", "residual", "marks", "stack", "stereo", "motion"}
	return path == "detectors.0.band" || slices.ContainsFunc(strings.Split(path, "."), func(step string) bool { return slices.Contains(parts, step) })
}

// Whatever single value of a good profile is spoilt, the schema never refuses
// what the code takes, and it refuses whatever the code finds wrong with the
// structure: what is left to the code alone are clashes between values.
func TestSchemaAndCodeAgreeOnEverySpoiltValue(t *testing.T) {
	schema := compiled(t, Schema())
	seeds := map[string][]byte{"four-corners": fourCorners(t).Canonical(), "pellam": []byte(builtin(t, "pellam"))}
	for _, name := range []string{"brindle", "fescue", "gemel", "oxlip", "sallow", "tarn", "umber"} {
		p := loaded(t, name+".yaml")
		for i := range p.Bands {
			p.Bands[i].Response = p.Bands[i].Response[:2] // the others are of the same kind
		}
		seeds[name] = p.Canonical()
	}
	for name, text := range seeds {
		t.Run(name, func(t *testing.T) {
			refused := 0
			common := name == "four-corners" || name == "pellam"
			for _, m := range mutations(t, text, func(path string) bool { return common || ofSomeCamerasOnly(path) }) {
				_, parseErr := Parse("camera.yaml", m.text, Overrides{})
				schemaErr := schema.Validate(document(t, m.text))
				if schemaErr != nil {
					refused++
				}
				if parseErr == nil && schemaErr != nil {
					t.Errorf("%s = %#v: only the schema refuses it: %v", m.path, m.value, schemaErr)
				}
				if schemaErr == nil && structureErr(t, profileFormat(), m.text) != nil {
					t.Errorf("%s = %#v: only the code refuses it: %v", m.path, m.value, structureErr(t, profileFormat(), m.text))
				}
			}
			if refused == 0 {
				t.Error("the schema refused none")
			}
		})
	}
}

// structureErr gives what is wrong with a file's structure alone.
func structureErr(t *testing.T, f *format, text []byte) error {
	t.Helper()
	root, problems := f.readTree("file.yaml", text)
	if problems != nil {
		t.Fatalf("the YAML library wrote what it cannot read: %v", problems)
	}
	f.fillDefaults(root)
	var b binder
	b.value(root, f.shape, "")
	return b.problems.asError()
}
