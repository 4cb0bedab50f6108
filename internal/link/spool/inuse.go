package spool

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// InUse says whether a program has the spool of a directory open, which is how a
// running daemon shows itself. It makes nothing; a directory without a spool is
// not in use. The error says that the file could not be looked at.
func InUse(dir string) (bool, error) {
	f, err := os.Open(filepath.Join(dir, fileName))
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("spool: %w", err)
	}
	defer f.Close() // gives up the lock
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return true, nil
	}
	if err != nil {
		return false, fmt.Errorf("spool %s: %w", f.Name(), err)
	}
	return false, nil
}
