package privatepg

import (
	"context"
	"crypto/sha256"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strings"
	"syscall"
)

// name is the role, the database and the name map.
const name = "curetally"

// longestSocket is the longest path of a Unix socket, without its final zero
// byte (sun_path of unix(7) holds 108).
const longestSocket = 107

// environment is all that server programs get to see: none of the PG variables
// of whoever started this program.
func environment() []string {
	return []string{"PATH=/usr/local/bin:/usr/bin:/bin", "LC_ALL=C.UTF-8", "TZ=UTC"}
}

// initialise makes the cluster beside its place and moves it there when it is
// complete and on disk.
func initialise(ctx context.Context, home string, b binaries, a account) error {
	fresh, data := filepath.Join(home, "data.new"), filepath.Join(home, "data")
	if err := os.RemoveAll(fresh); err != nil {
		return err
	}
	initdb := exec.CommandContext(ctx, b.path("initdb"), "-D", fresh, "-U", name, "-A", "peer",
		"--locale=C.UTF-8", "-E", "UTF8", "--data-checksums", "--no-instructions")
	initdb.Dir, initdb.Env, initdb.SysProcAttr = home, environment(), a.attributes(syscall.SIGKILL)
	if out, err := initdb.CombinedOutput(); err != nil {
		return fmt.Errorf("initdb in %s: %w: %s", home, err, lastLines(string(out), 5))
	}
	if err := writeAccess(fresh, a); err != nil {
		return err
	}
	if err := os.Rename(fresh, data); err != nil {
		return err
	}
	return syncPath(home)
}

// writeAccess lets this program's user and the server's account in as the role,
// by peer authentication over the socket, and nobody else. It is written at
// every start, so that the program may change its user.
func writeAccess(data string, a account) error {
	self, err := user.Current()
	if err != nil {
		return fmt.Errorf("own account: %w", err)
	}
	hba := "local all " + name + " peer map=" + name + "\n"
	ident := fmt.Sprintf("%s %q %s\n", name, a.name, name)
	if self.Username != a.name {
		ident += fmt.Sprintf("%s %q %s\n", name, self.Username, name)
	}
	for file, content := range map[string]string{"pg_hba.conf": hba, "pg_ident.conf": ident} {
		path := filepath.Join(data, file)
		if old, err := os.ReadFile(path); err == nil && string(old) == content {
			continue
		}
		if err := replaceFile(path, content, a); err != nil {
			return err
		}
	}
	return syncPath(data)
}

func replaceFile(path, content string, a account) error {
	fresh := path + ".new"
	if err := os.WriteFile(fresh, []byte(content), 0o600); err != nil {
		return err
	}
	if err := a.give(fresh); err != nil {
		return err
	}
	if err := syncPath(fresh); err != nil {
		return err
	}
	return os.Rename(fresh, path)
}

func syncPath(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	return f.Sync()
}

// socketDirectory makes the directory of the socket: home/run, or a short one
// in the temporary directory when that is too long for a socket. The name of
// the short one follows from home, so that it is found again and not left
// behind at every start.
func socketDirectory(home string, a account) (string, error) {
	const file = "/.s.PGSQL." + port
	dir := filepath.Join(home, "run")
	if len(dir)+len(file) >= longestSocket {
		dir = filepath.Join(os.TempDir(), fmt.Sprintf("curetally-%x", sha256.Sum256([]byte(home)))[:26])
		if len(dir)+len(file) >= longestSocket {
			return "", fmt.Errorf("both %s/run and %s are too long for a socket (%d bytes) — use a shorter data directory", home, dir, longestSocket)
		}
		if err := a.checkReach(filepath.Dir(dir)); err != nil {
			return "", err
		}
	}
	if err := a.ownDirectory(dir); err != nil {
		return "", fmt.Errorf("directory of the database socket: %w", err)
	}
	return dir, nil
}

// lastLines gives the end of a program's output for an error text.
func lastLines(text string, n int) string {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	return strings.Join(lines[max(0, len(lines)-n):], "; ")
}
