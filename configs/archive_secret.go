package configs

import (
	"fmt"
	"io"
	"os"
	"regexp"
	"strings"
)

const maxSecretBytes = 8192

// bearerToken is the form of a token in a header (RFC 6750, section 2.1).
var bearerToken = regexp.MustCompile(`^[A-Za-z0-9._~+/-]+=*$`)

// Secret gives the secret that the webhook is to be called with, read anew
// each time from its environment variable or file; empty when there is none.
// White space around it does not count. It is kept nowhere and never part of an
// error. A file that its group or others may read or write is refused with an
// error that wraps [ErrExposed].
func (w *Webhook) Secret() (string, error) {
	switch {
	case w.SecretEnv != "":
		return w.fromEnvironment()
	case w.SecretFile != "":
		return w.fromFile()
	}
	return "", nil
}

func (w *Webhook) fromEnvironment() (string, error) {
	name := "environment variable " + w.SecretEnv
	text, ok := os.LookupEnv(w.SecretEnv)
	if !ok {
		return "", fmt.Errorf("webhook: %s is not set; set it where the command is started, or name a secret_file", name)
	}
	return checkedSecret(name, text)
}

func (w *Webhook) fromFile() (string, error) {
	name := "file " + w.SecretFile
	// Opening a pipe would wait for somebody to write to it.
	if info, err := os.Stat(w.SecretFile); err == nil && !info.Mode().IsRegular() {
		return "", fmt.Errorf("webhook: %s is no ordinary file; name a file that holds the secret and nothing else", name)
	}
	f, err := os.Open(w.SecretFile)
	if err != nil {
		return "", fmt.Errorf("webhook: reading the secret: %w; check the path and who may read it", err)
	}
	defer f.Close()
	if err := checkSecretFile(name, f); err != nil {
		return "", err
	}
	text, err := io.ReadAll(io.LimitReader(f, maxSecretBytes+1))
	if err != nil {
		return "", fmt.Errorf("webhook: reading the secret: %w; check the disk", err)
	}
	return checkedSecret(name, string(text))
}

// checkSecretFile judges the very file that is read.
func checkSecretFile(name string, f *os.File) error {
	if !hasPermissions {
		return nil
	}
	info, err := f.Stat()
	if err != nil {
		return fmt.Errorf("webhook: reading the secret: %w; check the disk", err)
	}
	if info.Mode()&openToOthers != 0 {
		return fmt.Errorf("webhook: %s: %w: others than its owner may read or write it; chmod 600, and change the secret if somebody did", name, ErrExposed)
	}
	return nil
}

func checkedSecret(name, text string) (string, error) {
	secret := strings.TrimSpace(text)
	switch {
	case secret == "":
		return "", fmt.Errorf("webhook: %s holds nothing; put the secret there", name)
	case len(text) > maxSecretBytes || !bearerToken.MatchString(secret):
		return "", fmt.Errorf("webhook: what %s holds is no bearer token (RFC 6750, section 2.1); put the secret there and nothing else: A-Z, a-z, 0-9, - . _ ~ + / and = at the end", name)
	}
	return secret, nil
}
