package main

import (
	"bytes"
	"errors"
	"path/filepath"
	"testing"
)

// compareAnswer runs the command by itself.
func compareAnswer(t *testing.T, asJSON bool, args ...string) (out string, code int, err error) {
	t.Helper()
	c := compareCommand(&settings{workers: 2, json: asJSON})
	var b bytes.Buffer
	c.SetArgs(args)
	c.SetOut(&b)
	c.SetErr(&b)
	c.SilenceUsage, c.SilenceErrors = true, true
	err = c.Execute()
	code = exitDone
	var e *exitError
	switch {
	case errors.As(err, &e):
		code = e.code
	case err != nil:
		code = exitUsage
	}
	return b.String(), code, err
}

func TestCompareAnswersAboutTwoProducts(t *testing.T) {
	demo := sharedCampaign(t)
	product := func(name string) string {
		return filepath.Join(string(demo), "products", name+"-scene-calibrated.fits")
	}
	a, b := product("0171"), product("0172")
	for _, test := range []struct {
		name string
		args []string
		code int
		says []string
	}{
		{"a product and itself", []string{a, a}, exitDone, []string{a, "100.0000 % all the same", "both were made alike"}},
		{"different frames", []string{a, b}, exitNothing, []string{a, b, "raw frame", "--any"}},
		{"different frames that are allowed", []string{"--any", a, b}, exitDone, []string{"different raw frames", "input raw"}},
		{"no such file", []string{a, a + "x"}, exitNothing, []string{a + "x"}},
		{"one file", []string{a}, exitUsage, []string{"2 arg"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			out, code, err := compareAnswer(t, false, test.args...)
			if code != test.code {
				t.Errorf("exit code %d, want %d (%v)", code, test.code, err)
			}
			if err != nil {
				out += err.Error()
			}
			mustContain(t, "the answer", out, test.says...)
		})
	}
	out, code, err := compareAnswer(t, true, a, a)
	if code != exitDone {
		t.Fatal(err)
	}
	answer := object(t, parse(t, out))
	if answer["same_fraction"] != 1.0 || answer["a"] != a {
		t.Errorf("the answer is %v", answer)
	}
}
