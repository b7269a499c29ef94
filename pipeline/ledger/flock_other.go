//go:build !(darwin || dragonfly || freebsd || linux || netbsd || openbsd)

package ledger

import (
	"errors"
	"os"
)

var errNoLocks = errors.New("this system knows no locks on files that end with a process: keep the ledger on a PostgreSQL server")

func openTurnFile(string) (*os.File, error) { return nil, errNoLocks }

func tryLock(*os.File) (bool, error) { return false, errNoLocks }
