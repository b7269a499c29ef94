package archive

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"evenlight/configs"
	"evenlight/fitsutil"
)

// keepEarlier puts what lies at a product's path aside, before another product
// takes its place: under a name that holds the beginning of the SHA-256 of its
// content. It returns where; "" if there was nothing, or nothing is kept.
func (a *Archive) keepEarlier(path string) (string, error) {
	if a.cfg.Versions != configs.VersionsKeep || !isThere(path) {
		return "", nil
	}
	rel, ok := below(a.cfg.Products, path)
	if !ok {
		return "", fmt.Errorf("%s does not lie in the folder of products", path)
	}
	sha, _, err := fitsutil.HashFile(path)
	if err != nil {
		return "", err
	}
	to := a.earlierPath(rel, sha)
	if err := makeFolder(a.cfg.Earlier, filepath.Dir(to)); err != nil {
		return "", err
	}
	return to, double(path, to)
}

// earlierPath is where a version of a product is kept; rel is the product's path
// below the folder of products.
func (a *Archive) earlierPath(rel, sha string) string {
	ending := filepath.Ext(rel)
	return filepath.Join(a.cfg.Earlier, strings.TrimSuffix(rel, ending)+"~"+sha[:12]+ending)
}

// double lets a file have a second name: by a hard link, or, on another file
// system, by a copy. A file that is there already under that name, which stands
// for the content, is left.
func double(from, to string) error {
	if isThere(to) {
		os.Remove(partialOf(to)) // if a process was stopped at its last step; else there is none
		return nil
	}
	err := os.Link(from, to)
	switch {
	case err == nil:
		return syncFolder(filepath.Dir(to))
	case errors.Is(err, fs.ErrExist):
		return nil
	case noLinks(err):
		return copyFile(from, to)
	}
	return err
}

// copyFile copies a file so that the copy has its name only when it is whole
// and on the disk.
func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	return copyOpen(in, to)
}

// copyOpen is copyFile of a file that is open.
func copyOpen(in io.Reader, to string) error {
	root, err := os.OpenRoot(filepath.Dir(to))
	if err != nil {
		return err
	}
	defer root.Close()
	return copyBelow(root, in, filepath.Base(to))
}

// copyBelow copies a file to a new name below a root, and never takes the place
// of another.
func copyBelow(root *os.Root, in io.Reader, rel string) error {
	partial := partialOf(rel)
	out, err := root.Create(partial)
	if err != nil {
		return err
	}
	defer root.Remove(partial) // of no effect once it has its name
	_, err = io.Copy(out, in)
	if err == nil {
		err = out.Sync()
	}
	if err = errors.Join(err, out.Close()); err != nil {
		return err
	}
	if err := nameOnce(root, partial, rel); err != nil {
		return err
	}
	return syncFolder(filepath.Join(root.Name(), filepath.Dir(rel)))
}

// partialOf is the name of an unfinished copy. The name of the file itself may be
// as long as names can be.
func partialOf(path string) string {
	sum := sha256.Sum256([]byte(filepath.Base(path)))
	return filepath.Join(filepath.Dir(path), ".copy-"+hex.EncodeToString(sum[:8]))
}

// nameOnce gives a file its name, unless another has it.
func nameOnce(root *os.Root, partial, rel string) error {
	err := root.Link(partial, rel)
	if noLinks(err) { // look, then rename
		if _, err = root.Lstat(rel); errors.Is(err, fs.ErrNotExist) {
			return root.Rename(partial, rel)
		}
		if err == nil {
			err = fs.ErrExist
		}
	}
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%s is taken by another file: move one of them", filepath.Join(root.Name(), rel))
	}
	return err
}

// noLinks tells whether an error says that a file cannot have a second name
// there.
func noLinks(err error) bool {
	return errors.Is(err, syscall.EXDEV) || errors.Is(err, syscall.EPERM) || errors.Is(err, syscall.ENOTSUP) || errors.Is(err, syscall.EMLINK)
}

// syncFolder brings the names in a folder to the disk.
func syncFolder(path string) error {
	dir, err := os.Open(path)
	if err != nil {
		return err
	}
	defer dir.Close()
	if err := dir.Sync(); err != nil && !errors.Is(err, syscall.EINVAL) {
		return err
	}
	return nil
}
