package colour_test

import (
	"bytes"
	"compress/zlib"
	"fmt"
	"math"

	"evenlight/calib"
	"evenlight/calib/colour"
)

func ExampleMatrix() {
	t, err := colour.Matrix([]colour.Response{
		colour.Gaussian("blue", 450, 80),
		colour.Gaussian("green", 550, 80),
		colour.Gaussian("red", 640, 80),
	}, colour.D65())
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(t)
	rgb := t.ToRGB([]float64{0.2, 0.2, 0.2}) // I/F of a grey rock
	cov := t.RGBCovariance([]float64{1e-4, 1e-4, 1e-4})
	fmt.Printf("red %.3f +- %.3f\n", rgb[0], math.Sqrt(cov.At(0, 0)))
	// Output:
	// colour from blue, green, red under D65: CIEDE2000 error mean 3.9, largest 9.1 on CIE 13.3 test colours
	// red 0.200 +- 0.010
}

func ExampleMatrix_centresOnly() {
	t, err := colour.Matrix([]colour.Response{{Band: "short", CentreNM: 480}, {Band: "long", CentreNM: 600}}, colour.D65())
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(t.Approximate, t.Settings()[2].Name, t.Settings()[2].Value)
	// Output: true colour.approximate true
}

func ExamplePicture_Render() {
	bands := []*calib.Raster{calib.NewRaster(2, 1), calib.NewRaster(2, 1), calib.NewRaster(2, 1)}
	for _, b := range bands {
		b.Value[0] = 1             // white
		b.Flags[1] = calib.Missing // lost
	}
	mixer, err := colour.NewMixer(colour.Direct(), colour.SunWhite(3), calib.Unusable)
	if err != nil {
		fmt.Println(err)
		return
	}
	stretch := colour.FullRange()
	encoder, err := colour.NewEncoder(stretch)
	if err != nil {
		fmt.Println(err)
		return
	}
	picture := colour.NewPicture(2, 1)
	if err := picture.Render(mixer, encoder, bands, 2); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(picture.Plain.NRGBAAt(0, 0), picture.Plain.NRGBAAt(1, 0), picture.Clipped.Above)
	var file bytes.Buffer
	if err := colour.EncodePNG(&file, picture.Deep, colour.TextOf(stretch.Settings()), zlib.BestSpeed); err != nil {
		fmt.Println(err)
	}
	// Output: {255 255 255 255} {0 0 0 0} 0
}

func ExampleParseExpression() {
	_, err := colour.ParseExpression("nir/gren", []string{"blue", "green", "red", "nir"})
	fmt.Println(err)
	// Output: expression "nir/gren": no band "gren": did you mean "green"? there are blue, green, red, nir
}

func ExampleDeltaE2000() {
	white := colour.D65().White()
	grey := colour.ToLab([3]float64{0.19, 0.20, 0.22}, white)
	bluish := colour.ToLab([3]float64{0.19, 0.20, 0.23}, white)
	fmt.Printf("%.1f\n", colour.DeltaE2000(grey, bluish))
	// Output: 1.7
}
