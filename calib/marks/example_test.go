package marks_test

import (
	"fmt"
	"math"

	"evenlight/calib"
	"evenlight/calib/marks"
)

// sallow draws a frame of the tube with its marks 2 % too far apart.
func sallow(list []marks.Mark) *calib.Raster {
	r := calib.NewRaster(240, 200)
	for i := range r.Value {
		x, y := float64(i%240), float64(i/240)
		r.Value[i], r.Variance[i] = 500, 25
		for _, m := range list {
			dx, dy := x-1.02*m.TrueX, y-1.02*m.TrueY
			r.Value[i] -= float32(300 * math.Exp(-(dx*dx+dy*dy)/(2*1.6*1.6)))
		}
	}
	return r
}

func Example() {
	var list []marks.Mark
	for y := 20.0; y < 200; y += 40 {
		for x := 20.0; x < 240; x += 40 {
			list = append(list, marks.Mark{Name: fmt.Sprintf("%g/%g", x, y), X: x, Y: y, TrueX: x, TrueY: y})
		}
	}
	frame := sallow(list)
	survey, err := marks.Find(frame, list, marks.Options{Shape: marks.Shape{Kind: marks.Dot, BlurPx: 1.58}, SearchPx: 8}, 1)
	if err != nil {
		fmt.Println(err)
		return
	}
	marks.Cover(frame, survey.Found, 4)
	model, err := marks.Fit(list, survey.Found, marks.FitOptions{Order: 2})
	if err != nil {
		fmt.Println(err)
		return
	}
	x, y := model.At(100, 50)
	fmt.Printf("%d marks found, %d lost\n", len(survey.Found), len(survey.Lost))
	fmt.Printf("the true place (100, 50) is measured at (%.2f, %.2f)\n", x, y)
	// Output:
	// 30 marks found, 0 lost
	// the true place (100, 50) is measured at (102.00, 51.00)
}

func ExampleModel_Row() {
	var list []marks.Mark
	var found []marks.Found
	for i := range 12 {
		x, y := float64(30*(i%4)), float64(30*(i/4))
		list = append(list, marks.Mark{TrueX: x, TrueY: y})
		found = append(found, marks.Found{Index: i, X: x + 2.5, Y: y - 1, SigmaX: 0.02, SigmaY: 0.02})
	}
	model, err := marks.Fit(list, found, marks.FitOptions{Order: 1})
	if err != nil {
		fmt.Println(err)
		return
	}
	sx, sy := make([]float64, 3), make([]float64, 3)
	model.Row(10, sx, sy) // where the rectified row 10 takes its samples
	for i := range sx {
		fmt.Printf("(%.2f, %.2f)\n", sx[i], sy[i])
	}
	// Output:
	// (2.50, 9.00)
	// (3.50, 9.00)
	// (4.50, 9.00)
}
