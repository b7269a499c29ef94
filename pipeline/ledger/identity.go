package ledger

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
)

// Hash is a SHA-256 (FIPS 180-4).
type Hash [sha256.Size]byte

// ParseHash reads the 64 hexadecimal digits of a SHA-256.
func ParseHash(digits string) (Hash, error) {
	var h Hash
	if len(digits) != hex.EncodedLen(len(h)) {
		return h, fmt.Errorf("%q is no SHA-256: it has %d characters instead of %d", digits, len(digits), hex.EncodedLen(len(h)))
	}
	if _, err := hex.Decode(h[:], []byte(digits)); err != nil {
		return Hash{}, fmt.Errorf("%q is no SHA-256: %w", digits, err)
	}
	return h, nil
}

// String writes the hash as 64 hexadecimal digits.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// MarshalText writes the hash as String does.
func (h Hash) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

// IsZero tells whether the hash was never set.
func (h Hash) IsZero() bool { return h == Hash{} }

// Scan reads a column of a database; NULL becomes the zero hash.
func (h *Hash) Scan(column any) error {
	*h = Hash{}
	if column == nil {
		return nil
	}
	b, ok := column.([]byte)
	if !ok || len(b) != len(h) {
		return fmt.Errorf("a column of the ledger that should hold a SHA-256 holds %v", column)
	}
	copy(h[:], b)
	return nil
}

// RoleRaw is the role of the raw file that the pixels of a product come from.
const RoleRaw = "raw"

// Input is one file that a product was made from, and what it was used as.
type Input struct {
	Role   string // RoleRaw, a kind of master, or another word of the pipeline
	SHA256 Hash
}

func (a Input) compare(b Input) int {
	return cmp.Or(cmp.Compare(a.Role, b.Role), bytes.Compare(a.SHA256[:], b.SHA256[:]))
}

// Identity is everything that makes a product what it is.
type Identity struct {
	What      string  // what the product is, such as a calibrated frame
	Detector  string  //
	Plane     int     // of a cube, from 1; 0: the file is no cube
	Recipe    Hash    // of the recipe (Recipe.Hash)
	Algorithm string  // version of the algorithms
	Inputs    []Input // in any order; repeats do not count
}

// ProductID is the identity of a product in one hash. Two products have the
// same if and only if they were made from the same content, by the same recipe
// and algorithms; names and places of files do not enter.
//
// It is the SHA-256 of these fields, each written as its length in bytes in
// decimal, a colon, its bytes and a comma: the words "product 1", What,
// Detector, Plane in decimal, Recipe as 32 bytes, Algorithm, and for each input,
// sorted by role and hash, its role and its 32 bytes.
func ProductID(i Identity) Hash {
	b := make([]byte, 0, 512)
	b = appendField(b, "product 1")
	b = appendField(b, i.What)
	b = appendField(b, i.Detector)
	b = appendField(b, strconv.Itoa(i.Plane))
	b = appendField(b, i.Recipe[:])
	b = appendField(b, i.Algorithm)
	return sha256.Sum256(appendInputs(b, sortedInputs(i.Inputs)))
}

// appendField adds a field that cannot run into the next one.
func appendField[T string | []byte](b []byte, field T) []byte {
	b = strconv.AppendInt(b, int64(len(field)), 10)
	b = append(b, ':')
	b = append(b, field...)
	return append(b, ',')
}

func appendInputs(b []byte, inputs []Input) []byte {
	for _, in := range inputs {
		b = appendField(b, in.Role)
		b = appendField(b, in.SHA256[:])
	}
	return b
}

// sortedInputs returns the inputs sorted, each once, and leaves the original.
func sortedInputs(inputs []Input) []Input {
	s := slices.Clone(inputs)
	slices.SortFunc(s, Input.compare)
	return slices.Compact(s)
}

// setHash is the identity of inputs that products have in common.
func setHash(sorted []Input) Hash {
	return sha256.Sum256(appendInputs(appendField(nil, "inputs 1"), sorted))
}

// Recipe is how products are made.
type Recipe struct {
	Profile Hash   // of the instrument profile, as products name it
	Version string // of the software, as far as it changes products
	Text    string // the settings in a canonical form
}

// Hash is the identity of the recipe: the SHA-256 of the fields "recipe 1",
// Profile as 32 bytes, Version and Text, written as [ProductID] does.
func (r Recipe) Hash() Hash {
	b := appendField(nil, "recipe 1")
	b = appendField(b, r.Profile[:])
	b = appendField(b, r.Version)
	return sha256.Sum256(appendField(b, r.Text))
}
