//go:build !unix

package archive

import "errors"

// freeBytes cannot tell here how much room there is.
func freeBytes(string) (uint64, error) {
	return 0, errors.New("the room on a disk is only known on Unix: set min_free_gib to 0 and leave rules of kind space out")
}
