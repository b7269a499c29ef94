package alert_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"

	"evenlight/configs"
	"evenlight/pipeline/alert"
)

// BenchmarkJudge shows that the cost of judging a series does not grow with the
// frames that the ledger holds:
//
//	go test ./pipeline/alert -run '^$' -bench Judge
func BenchmarkJudge(b *testing.B) {
	rules := []configs.Rule{
		{Name: "noise", Kind: configs.RuleControl, Metric: "noise_ratio", Chart: configs.ChartEWMA, Lambda: 0.05},
		{Name: "bound", Kind: configs.RuleThreshold, Metric: "noise_ratio", Above: number(100)},
	}
	for _, frames := range []int{1000, 30_000} {
		b.Run(fmt.Sprintf("frames=%d", frames), func(b *testing.B) {
			l := newLedger(b)
			random := rand.New(rand.NewPCG(1, 2))
			values := make([]float64, frames)
			for i := range values {
				values[i] = 1 + 0.1*random.NormFloat64()
			}
			measure(b, l, green, "noise_ratio", 0, values...)
			b.ReportAllocs()
			for b.Loop() {
				_, err := alert.Judge(context.Background(), l, rules, env())
				must(b, err)
			}
		})
	}
}
