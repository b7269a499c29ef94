package main

import (
	"encoding/json"
	"math"
	"testing"

	"evenlight/pipeline"
)

func TestBudgetExitCodes(t *testing.T) {
	demo := sharedCampaign(t)
	product := demo.product(t)
	inputs := []string{"--inputs", demo.raw(), "--inputs", demo.masters()}
	for name, test := range map[string]struct {
		args   []string
		code   int
		out    []string
		errors []string
	}{
		"a frame":                   {append(inputs, product), exitDone, []string{product, "shot noise of the light", "if pixels were independent", "responsivity"}, nil},
		"a pixel":                   {append(inputs, "--pixel", "30,40", product), exitDone, []string{"columns 30-30 rows 40-40", "one pixel (good)"}, nil},
		"a region":                  {append(inputs, "--region", "11:20,21:30", product), exitDone, []string{"columns 11-20 rows 21-30", "100 pixels"}, nil},
		"a region beyond the frame": {append(inputs, "--region", "1:9999,1:2", product), exitNothing, nil, []string{"columns 1-9999", "not within"}},
		"a region the wrong way":    {append(inputs, "--region", "5:1,1:4", product), exitUsage, nil, []string{`--region "5:1,1:4"`, "x0:x1,y0:y1"}},
		"half a pixel":              {append(inputs, "--pixel", "5", product), exitUsage, nil, []string{`--pixel "5"`, "x,y"}},
		"a pixel and a region":      {append(inputs, "--pixel", "5,5", "--region", "1:2,1:2", product), exitUsage, nil, []string{"pixel", "region"}},
		"no inputs":                 {[]string{product}, exitUsage, nil, []string{"inputs"}},
		"the inputs are not there":  {[]string{"--inputs", t.TempDir(), product}, exitNothing, nil, []string{product, "--inputs"}},
		"no product":                {inputs, exitUsage, nil, []string{"1 arg"}},
		"a raw frame":               {append(inputs, demo.scenes(t, 1)[0]), exitNothing, nil, []string{"is this a file that evenlight wrote?"}},
	} {
		t.Run(name, func(t *testing.T) {
			got := command(append([]string{"budget"}, test.args...)...)
			if got.code != test.code {
				t.Errorf("exit code %d, want %d\n%s%s", got.code, test.code, got.out, got.errors)
			}
			mustContain(t, "standard output", got.out, test.out...)
			mustContain(t, "standard error", got.errors, test.errors...)
		})
	}
}

// The answer in JSON holds what the text does.
func TestBudgetInJSON(t *testing.T) {
	demo := sharedCampaign(t)
	got := command("budget", "--json", "--inputs", demo.raw(), "--inputs", demo.masters(), "--region", "11:20,21:30", demo.product(t))
	if got.code != exitDone {
		t.Fatalf("exit code %d\n%s", got.code, got.errors)
	}
	var b pipeline.Budget
	if err := json.Unmarshal([]byte(got.out), &b); err != nil {
		t.Fatal(err)
	}
	if len(b.Bands) != 1 || b.Bands[0].Pixels+b.Bands[0].Left != 100 || len(b.Bands[0].Random) < 8 || len(b.Bands[0].Systematic) < 4 {
		t.Fatalf("%s", got.out)
	}
	m := b.Bands[0].Mean
	if together := math.Hypot(m.Frame, m.Masters); math.Abs(m.Random-together) > 1e-12*together || !(m.Masters > 0) || !(m.Random > m.Alone) {
		t.Errorf("mean %+v does not add up", m)
	}
}
