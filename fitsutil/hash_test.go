package fitsutil

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// FIPS 180-4 test vectors for SHA-256 as NIST publishes them: the empty
// message, "abc", and a million times "a".
var sha256Vectors = []struct{ message, digest string }{
	{"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"},
	{"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
	{strings.Repeat("a", 1000000), "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"},
}

func TestHashes(t *testing.T) {
	for _, v := range sha256Vectors {
		path := filepath.Join(t.TempDir(), "f")
		if err := os.WriteFile(path, []byte(v.message), 0o600); err != nil {
			t.Fatal(err)
		}
		if hash, size, err := HashFile(path); hash != v.digest || size != int64(len(v.message)) || err != nil {
			t.Errorf("HashFile of %d bytes: %s, %d, %v", len(v.message), hash, size, err)
		}
		data, hash, err := ReadAll(path, nil, 1<<20)
		if string(data) != v.message || hash != v.digest || err != nil {
			t.Errorf("ReadAll of %d bytes: %d bytes, %s, %v", len(v.message), len(data), hash, err)
		}
	}
}

func TestReadAllUsesTheBuffer(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f")
	content := randomBytes(3<<20 + 5) // several pieces
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 4<<20)
	data, hash, err := ReadAll(path, buf, 4<<20)
	if err != nil || &data[0] != &buf[0] || string(data) != string(content) {
		t.Errorf("%d bytes, %v; want the content in the buffer", len(data), err)
	}
	if whole, _, err := HashFile(path); whole != hash || err != nil {
		t.Errorf("in pieces %s, as a whole %s, %v", hash, whole, err)
	}
}

func TestReadAllRefuses(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "f")
	if err := os.WriteFile(path, make([]byte, 101), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := ReadAll(path, nil, 100); err == nil || !strings.Contains(err.Error(), "limit") {
		t.Errorf("beyond the limit: %v", err)
	}
	if _, _, err := ReadAll(dir, nil, 1<<20); err == nil {
		t.Error("a folder was read")
	}
	absent := filepath.Join(dir, "absent")
	if _, _, err := ReadAll(absent, nil, 1); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("an absent file: %v", err)
	}
	if _, _, err := HashFile(absent); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("hash of an absent file: %v", err)
	}
}

func TestAFileThatChangesItsSizeIsNoticed(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f")
	if err := os.WriteFile(path, make([]byte, 100), 0o600); err != nil {
		t.Fatal(err)
	}
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	if _, err := readAndHash(file, make([]byte, 101)); err == nil || !strings.Contains(err.Error(), "changed") {
		t.Errorf("a file that became shorter: %v", err)
	}
	if _, err := file.Seek(99, 0); err != nil {
		t.Fatal(err)
	}
	if err := checkAtEnd(file); err == nil || !strings.Contains(err.Error(), "changed") {
		t.Errorf("a file that became longer: %v", err)
	}
	if err := checkAtEnd(file); err != nil {
		t.Errorf("a file that ends where it should: %v", err)
	}
}
