package configs

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// ErrExposed: others may write to a file, or read a secret, who must not.
var ErrExposed = errors.New("its permissions are too wide")

const (
	writableByAll   fs.FileMode = 0o002
	writableByGroup fs.FileMode = 0o020
	openToOthers    fs.FileMode = 0o066 // read or written by group or others
)

// CheckPrivate judges who may change a configuration file: what a name that is
// a symbolic link leads to, and the folders that hold either. A file that
// everybody may write to, or that lies below a folder in which everybody may
// put another in its place, is an error that wraps [ErrExposed] and names the
// remedy. A file that its group may write to is a warning. Where files have no
// such permissions, everything passes.
func CheckPrivate(path string) (warnings []string, err error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%w; check the path", err)
	}
	defer f.Close()
	return checkPrivate(path, f)
}

// readGuarded reads a configuration file and judges the very file that it
// reads, whatever happens to the name meanwhile.
func readGuarded(path string) (text []byte, warnings []string, err error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, nil, fmt.Errorf("%w; check the path", err)
	}
	defer f.Close()
	if warnings, err = checkPrivate(path, f); err != nil {
		return nil, nil, err
	}
	if text, err = readText(f); err != nil {
		return nil, nil, fmt.Errorf("%w; check that it is a file and the disk is well", err)
	}
	return text, warnings, nil
}

func checkPrivate(path string, f *os.File) (warnings []string, err error) {
	if !hasPermissions {
		return nil, nil
	}
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if info.Mode()&writableByAll != 0 {
		return nil, fmt.Errorf("%s: %w: everybody may write to it; take the right away, chmod o-w, and check that nobody changed it", path, ErrExposed)
	}
	if err := checkFolders(path); err != nil {
		return nil, err
	}
	if uid, ok := ownerOf(info); ok && uid != 0 && uid != uint32(os.Geteuid()) {
		warnings = append(warnings, fmt.Sprintf("%s: it belongs to user %d, who may change it; give it to the user that this runs as, or to root, with chown", path, uid))
	}
	if info.Mode()&writableByGroup != 0 {
		warnings = append(warnings, fmt.Sprintf("%s: its group may write to it; take the right away, chmod g-w, unless everybody in the group may", path))
	}
	return warnings, nil
}

// checkFolders judges the folders that the name and the file lie below.
func checkFolders(path string) error {
	named, err := filepath.Abs(path)
	if err != nil {
		return err
	}
	opened, err := filepath.EvalSymlinks(named)
	if err != nil {
		return err
	}
	for _, p := range []string{named, opened} {
		for dir := filepath.Dir(p); ; dir = filepath.Dir(dir) {
			if err := checkFolder(path, dir); err != nil {
				return err
			}
			if dir == filepath.Dir(dir) {
				break
			}
		}
	}
	return nil
}

// checkFolder refuses a folder in which everybody may replace what others put
// there. In one with the sticky bit nobody may.
func checkFolder(path, dir string) error {
	info, err := os.Stat(dir)
	if err != nil {
		return err
	}
	if info.Mode()&writableByAll != 0 && info.Mode()&fs.ModeSticky == 0 {
		return fmt.Errorf("%s: %w: everybody may write to the folder %s and put another file in its place; take the right away, chmod o-w, or move the file", path, ErrExposed, dir)
	}
	return nil
}
