package ledger_test

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"testing"

	"evenlight/pipeline/ledger"
)

// of is the hash of a word, in place of that of a file.
func of(words ...any) ledger.Hash { return sha256.Sum256([]byte(fmt.Sprint(words...))) }

func exampleIdentity() ledger.Identity {
	recipe := ledger.Recipe{Profile: of("profile"), Version: "0.2.0", Text: "quantity: radiance\n"}
	return ledger.Identity{
		What: "calibrated frame", Detector: "main", Plane: 2, Recipe: recipe.Hash(), Algorithm: "3",
		Inputs: []ledger.Input{{"raw", of("raw")}, {"flat", of("flat")}, {"bias", of("bias")}, {"dark", of("dark")}},
	}
}

// The expected values were calculated from the description of the fields with
// Python's hashlib.
func TestHashesAreThoseOfTheDescribedFields(t *testing.T) {
	i := exampleIdentity()
	if got, want := i.Recipe.String(), "85574218c9e122ecca9bb44dee1b12b2c9f799fa8556f95f47f7affe67edf918"; got != want {
		t.Errorf("recipe %s, want %s", got, want)
	}
	if got, want := ledger.ProductID(i).String(), "b8accf63839a834ec1b194bde0bc1a802160700c4c599df28b3d4231b6a1368a"; got != want {
		t.Errorf("product %s, want %s", got, want)
	}
}

func TestAnythingThatMakesAProductChangesItsID(t *testing.T) {
	changes := map[string]func(*ledger.Identity){
		"what it is":      func(i *ledger.Identity) { i.What = "band cube" },
		"detector":        func(i *ledger.Identity) { i.Detector = "spare" },
		"plane":           func(i *ledger.Identity) { i.Plane = 1 },
		"recipe":          func(i *ledger.Identity) { i.Recipe = of("another recipe") },
		"algorithm":       func(i *ledger.Identity) { i.Algorithm = "4" },
		"raw content":     func(i *ledger.Identity) { i.Inputs[0].SHA256 = of("another raw") },
		"a master":        func(i *ledger.Identity) { i.Inputs[1].SHA256 = of("another flat") },
		"one master less": func(i *ledger.Identity) { i.Inputs = i.Inputs[:3] },
		"one master more": func(i *ledger.Identity) {
			i.Inputs = append(i.Inputs, ledger.Input{Role: "linearity", SHA256: of("curve")})
		},
		"swapped roles": func(i *ledger.Identity) { i.Inputs[1].Role, i.Inputs[2].Role = i.Inputs[2].Role, i.Inputs[1].Role },
		"field borders": func(i *ledger.Identity) { i.What, i.Detector = "calibrated framem", "ain" },
	}
	seen := map[ledger.Hash]string{ledger.ProductID(exampleIdentity()): "no change"}
	for name, change := range changes {
		i := exampleIdentity()
		change(&i)
		id := ledger.ProductID(i)
		if other, ok := seen[id]; ok {
			t.Errorf("%s gives the same ID as %s", name, other)
		}
		seen[id] = name
	}
}

func TestOrderAndRepeatsOfInputsDoNotChangeTheID(t *testing.T) {
	i := exampleIdentity()
	want := ledger.ProductID(i)
	slices.Reverse(i.Inputs)
	i.Inputs = append(i.Inputs, i.Inputs[0])
	before := slices.Clone(i.Inputs)
	if got := ledger.ProductID(i); got != want {
		t.Errorf("ID %v, want %v", got, want)
	}
	if !slices.Equal(i.Inputs, before) {
		t.Error("the caller's inputs were sorted")
	}
}

func TestAnythingInARecipeChangesItsHash(t *testing.T) {
	seen := map[ledger.Hash]bool{}
	recipes := []ledger.Recipe{
		{of("profile"), "1", "text"}, {of("another"), "1", "text"}, {of("profile"), "2", "text"}, {of("profile"), "1", "words"}, {of("profile"), "1t", "ext"},
	}
	for _, r := range recipes {
		seen[r.Hash()] = true
	}
	if len(seen) != len(recipes) {
		t.Errorf("%d recipes have %d hashes", len(recipes), len(seen))
	}
}

func TestParseHashReadsWhatStringWrites(t *testing.T) {
	h := of("anything")
	got, err := ledger.ParseHash(h.String())
	if err != nil || got != h {
		t.Errorf("%v, %v", got, err)
	}
	for _, wrong := range []string{"", "12", h.String() + "0", "g" + h.String()[1:]} {
		if _, err := ledger.ParseHash(wrong); err == nil {
			t.Errorf("%q passes as a hash", wrong)
		}
	}
}

func ExampleProductID() {
	raw, flat := ledger.Hash(sha256.Sum256([]byte("the raw file"))), ledger.Hash(sha256.Sum256([]byte("the flat")))
	recipe := ledger.Recipe{Profile: sha256.Sum256([]byte("the profile")), Version: "1.0", Text: "quantity: radiance\n"}
	made := ledger.Identity{
		What: "calibrated frame", Detector: "main", Recipe: recipe.Hash(), Algorithm: "1",
		Inputs: []ledger.Input{{Role: ledger.RoleRaw, SHA256: raw}, {Role: "flat", SHA256: flat}},
	}
	wanted := made
	fmt.Println("up to date:", ledger.ProductID(made) == ledger.ProductID(wanted))
	wanted.Algorithm = "2"
	fmt.Println("with newer algorithms:", ledger.ProductID(made) == ledger.ProductID(wanted))
	// Output:
	// up to date: true
	// with newer algorithms: false
}
