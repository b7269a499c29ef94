package configs_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"evenlight/configs"
)

// header is a FITS header, as far as a profile looks at it.
type header map[string]any

func (h header) Value(key string) (any, bool) {
	v, ok := h[key]
	return v, ok
}

func ExampleLoad() {
	p, err := configs.Load("quillon.yaml", configs.Overrides{
		Set: []string{"output.quantity=reflectance", "detectors.0.offset.smooth_rows=9"},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(p.Instrument, p.Output.Quantity, p.Detectors[0].Offset.SmoothRows)
	// Output: quillon reflectance 9
}

func ExampleParse() {
	text, err := configs.Builtin("quillon")
	if err != nil {
		fmt.Println(err)
		return
	}
	faulty := strings.Replace(string(text), "gain_e_per_dn: 2.2", "gian_e_per_dn: 2.2", 1)
	_, err = configs.Parse("camera.yaml", []byte(faulty), configs.Overrides{})
	var problems configs.ProblemList
	if errors.As(err, &problems) {
		for _, p := range problems {
			fmt.Println(p)
		}
	}
	// Output: camera.yaml:71: detectors.0.amplifiers.1.gian_e_per_dn: unknown key; the nearest valid one is "gain_e_per_dn"
}

func ExampleProfile_Describe() {
	p, err := configs.Load("quillon.yaml", configs.Overrides{})
	if err != nil {
		fmt.Println(err)
		return
	}
	info, err := p.Describe(header{
		"OBSTYPE": "LAMP", "EXPDUR": 125.0, "FPATEMP": 0.0, "FILTPOS": int64(3), "RDMODE": int64(0),
		"OBSTIME": "2031-05-17T08:09:10",
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(info.Kind, info.Band, info.Mode, info.ExposureS, info.TempK, info.Time.Format("15:04:05"))

	_, err = p.Describe(header{"OBSTYPE": "FOCUS"})
	fmt.Println(err)
	// Output:
	// flat red normal 0.125 273.15 08:09:10
	// keyword OBSTYPE: no rule of frame_kinds fits this frame: OBSTYPE is "FOCUS"; add a rule to the profile (kind: ignore for frames that are not to be used)
}

func ExampleProfile_Hash() {
	text, err := configs.Builtin("quillon")
	if err != nil {
		fmt.Println(err)
		return
	}
	a, errA := configs.Parse("a.yaml", text, configs.Overrides{})
	b, errB := configs.Parse("b.yaml", append(text, "# a remark\n"...), configs.Overrides{})
	if err := errors.Join(errA, errB); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(a.Hash() == b.Hash())
	// Output: true
}

func ExampleSwitchableStages() {
	fmt.Println(strings.Join(configs.SwitchableStages(), " "))
	// Output: offset bias linearity dark residual smear flat bad_pixels hits fill
}

func ExampleDecompanding_Table() {
	d := configs.Decompanding{SquareRoot: &configs.SquareRoot{Codes: 4, MaxDN: 15}}
	dn, width := d.Table()
	fmt.Println(dn, width)
	// Output: [0 2 6 12] [1 3 5 7]
}

func ExampleProfile_ManyBands() {
	for _, name := range []string{"quillon", "brindle", "tarn"} {
		p, err := configs.Load(name+".yaml", configs.Overrides{})
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%s: many bands in a frame %t, band of the first detector %q\n", name, p.ManyBands(), p.BandOfDetector(0))
	}
	// Output:
	// quillon: many bands in a frame false, band of the first detector ""
	// brindle: many bands in a frame true, band of the first detector ""
	// tarn: many bands in a frame false, band of the first detector "pan"
}

func ExampleLoadArchive() {
	dir, err := os.MkdirTemp("", "marrowby-")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "archive.yaml")
	if err := os.WriteFile(path, configs.ArchiveTemplate(), 0o600); err != nil {
		fmt.Println(err)
		return
	}
	a, warnings, err := configs.LoadArchive(path, configs.Overrides{Set: []string{"intake.settle_s=3"}})
	if err != nil {
		fmt.Println(err)
		return
	}
	p, _, err := a.Sources[0].LoadProfile()
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(filepath.Base(a.Masters), a.Intake.SettleS, p.Instrument, len(warnings))
	// Output: masters 3 quillon 0
}
