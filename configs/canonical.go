package configs

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"

	"go.yaml.in/yaml/v3"
)

// Canonical gives the resolved profile, overrides and defaults included, as
// YAML text. The text depends on nothing but the profile's values, and parsing
// it gives an equal profile.
func (p *Profile) Canonical() []byte { return canonical(p) }

// canonical writes a profile or an archive file.
func canonical(v any) []byte {
	var tree yaml.Node
	if err := tree.Encode(v); err != nil {
		panic(fmt.Sprintf("configs: encoding a %T: %v", v, err)) // the types hold nothing that YAML lacks
	}
	quoteLineBreaks(&tree)
	var text bytes.Buffer
	encoder := yaml.NewEncoder(&text)
	encoder.SetIndent(2)
	if err := encoder.Encode(&tree); err != nil {
		panic(fmt.Sprintf("configs: writing a %T: %v", v, err))
	}
	return text.Bytes()
}

// quoteLineBreaks writes texts of several lines in quotes, where blanks and
// empty lines at their ends are kept as they are.
func quoteLineBreaks(n *yaml.Node) {
	if n.Kind == yaml.ScalarNode && strings.Contains(n.Value, "\n") {
		n.Style = yaml.DoubleQuotedStyle
	}
	for _, c := range n.Content {
		quoteLineBreaks(c)
	}
}

// Hash gives the SHA-256 of the canonical text in hexadecimal. Profiles that
// lead to the same results, as far as a profile can tell, have the same hash.
func (p *Profile) Hash() string {
	sum := sha256.Sum256(p.Canonical())
	return hex.EncodeToString(sum[:])
}
