package trend_test

import (
	"fmt"

	"evenlight/pipeline/trend"
)

func ExampleSettings_Limits() {
	settings := trend.Settings{Kind: trend.Individuals, Baseline: 10, Sigmas: 3}
	limits, err := settings.Limits(samples(49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.4f to %.4f\n", limits.Lower, limits.Upper)
	// Output: 45.8159 to 55.8041
}

func ExampleLimits_Chart() {
	settings := trend.Settings{Kind: trend.EWMA, Baseline: 4, Sigmas: 3, Lambda: 0.5}
	limits, err := settings.Limits(samples(9, 11, 9, 11))
	if err != nil {
		fmt.Println(err)
		return
	}
	chart := limits.Chart(samples(10, 14, 14))
	fmt.Println(chart.Points[2].Statistic, chart.Out(), chart.OutSince()[0].Name)
	// Output: 13 true c
}
