package configs

import (
	_ "embed"
	"fmt"
	"strings"
)

//go:embed quillon.yaml
var quillonText []byte

//go:embed pellam.yaml
var pellamText []byte

// BuiltinNames gives the names of the profiles that come with the software.
func BuiltinNames() []string { return []string{"pellam", "quillon"} }

// Builtin gives a copy of the text of a profile that comes with the software.
// An unknown name is an error that lists the known ones.
func Builtin(name string) ([]byte, error) {
	switch name {
	case "quillon":
		return append([]byte(nil), quillonText...), nil
	case "pellam":
		return append([]byte(nil), pellamText...), nil
	}
	return nil, fmt.Errorf("no built-in profile %q; there are %s", shorten(name), strings.Join(BuiltinNames(), ", "))
}
