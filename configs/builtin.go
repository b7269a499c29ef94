package configs

import (
	"embed"
	"fmt"
	"slices"
	"strings"
)

//go:embed brindle.yaml fescue.yaml gemel.yaml oxlip.yaml pellam.yaml quillon.yaml sallow.yaml tarn.yaml umber.yaml
var builtinFiles embed.FS

// BuiltinNames gives the names of the profiles that come with the software,
// sorted.
func BuiltinNames() []string {
	return []string{"brindle", "fescue", "gemel", "oxlip", "pellam", "quillon", "sallow", "tarn", "umber"}
}

// Builtin gives a copy of the text of a profile that comes with the software.
// An unknown name is an error that lists the known ones.
func Builtin(name string) ([]byte, error) {
	if !slices.Contains(BuiltinNames(), name) {
		return nil, fmt.Errorf("no built-in profile %q; there are %s", shorten(name), strings.Join(BuiltinNames(), ", "))
	}
	text, err := builtinFiles.ReadFile(name + ".yaml")
	if err != nil {
		return nil, fmt.Errorf("built-in profile %s: %w", name, err)
	}
	return text, nil
}
