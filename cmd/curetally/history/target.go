package history

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// checkTarget refuses a file that exists before any work is done for it.
func checkTarget(path string, force bool) error {
	if path == "-" || force {
		return nil
	}
	if _, err := os.Lstat(path); err == nil {
		return existsError(path)
	}
	return nil
}

// writeFile lets fill write a file, which appears under its name when it is
// whole and on disk. The name - is standard output. A file that exists is not
// touched without force, also when it came meanwhile.
func writeFile(path string, force bool, stdout io.Writer, fill func(io.Writer) error) error {
	if path == "-" {
		return buffered(stdout, fill)
	}
	part := filepath.Join(filepath.Dir(path), fmt.Sprintf(".%s.%d.part", filepath.Base(path), os.Getpid()))
	f, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o644)
	if err != nil {
		return err
	}
	err = buffered(f, fill)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return errors.Join(err, os.Remove(part))
	}
	if force {
		return os.Rename(part, path)
	}
	err = os.Link(part, path) // unlike a rename, it fails where the name is taken
	switch {
	case errors.Is(err, fs.ErrExist):
		err = existsError(path)
	case err != nil: // a file system without links
		if err = checkTarget(path, force); err == nil {
			return os.Rename(part, path)
		}
	}
	return errors.Join(err, os.Remove(part))
}
