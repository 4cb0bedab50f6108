package privatepg

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
)

// packaged is where Debian and its relatives put the server programs.
const packaged = "/usr/lib/postgresql/*/bin"

// oldest is the oldest major version that the store's SQL is written for.
const oldest = 14

// binaries are the server programs of one major version.
type binaries struct {
	dir   string
	major int
}

func (b binaries) path(program string) string { return filepath.Join(b.dir, program) }

// dataMajor reads the major version of a cluster; 0 when there is none yet.
func dataMajor(data string) (int, error) {
	raw, err := os.ReadFile(filepath.Join(data, "PG_VERSION"))
	if errors.Is(err, os.ErrNotExist) {
		if _, err := os.Lstat(data); err == nil {
			return 0, fmt.Errorf("%s has no PG_VERSION: it is no PostgreSQL cluster — move it away", data)
		}
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	major, err := strconv.Atoi(strings.TrimSpace(string(raw)))
	if err != nil {
		return 0, fmt.Errorf("%s/PG_VERSION holds %q: expected a whole number", data, raw)
	}
	return major, nil
}

// findBinaries looks for server programs of the major version want, or of the
// newest when want is 0: in dir if given, else in the directories that match
// the pattern, else on the search path.
func findBinaries(ctx context.Context, dir, pattern string, want int) (binaries, error) {
	places := []string{dir}
	if dir == "" {
		found, err := filepath.Glob(pattern)
		if err != nil {
			return binaries{}, err
		}
		places = found
		if p, err := exec.LookPath("postgres"); err == nil {
			if real, err := filepath.EvalSymlinks(p); err == nil {
				places = append(places, filepath.Dir(real))
			}
		}
	}
	var best binaries
	var seen []string
	var problems []error
	for _, place := range places {
		b, err := inspect(ctx, place)
		if ctx.Err() != nil {
			return binaries{}, ctx.Err()
		}
		if err != nil {
			problems = append(problems, err)
			continue
		}
		seen = append(seen, fmt.Sprintf("%d in %s", b.major, place))
		if (want == 0 && b.major > best.major) || (b.major == want && best.dir == "") {
			best = b
		}
	}
	switch {
	case best.dir != "" && best.major < oldest:
		return binaries{}, fmt.Errorf("PostgreSQL %d in %s is too old — install version %d or newer", best.major, best.dir, oldest)
	case best.dir != "":
		return best, nil
	case len(seen) > 0:
		return binaries{}, fmt.Errorf("the data is of PostgreSQL %d but found %s — install postgresql-%d, or move the data over with pg_dumpall of version %d",
			want, strings.Join(seen, ", "), want, want)
	case dir != "":
		return binaries{}, fmt.Errorf("no PostgreSQL server programs in %s: %w — correct the path, or leave it out and apt-get install postgresql", dir, errors.Join(problems...))
	default:
		return binaries{}, fmt.Errorf("no PostgreSQL server programs in %s or on the search path — apt-get install postgresql, name their directory, or set the URL of a database that runs elsewhere", pattern)
	}
}

// inspect asks the server program in a directory for its version.
func inspect(ctx context.Context, dir string) (binaries, error) {
	b := binaries{dir: dir}
	for _, program := range []string{"initdb", "postgres"} {
		if _, err := os.Stat(b.path(program)); err != nil {
			return binaries{}, err
		}
	}
	out, err := exec.CommandContext(ctx, b.path("postgres"), "--version").Output()
	if err != nil {
		return binaries{}, fmt.Errorf("%s --version: %w", b.path("postgres"), err)
	}
	match := regexp.MustCompile(`\) (\d+)`).FindSubmatch(out)
	if match == nil {
		return binaries{}, fmt.Errorf("%s --version says %q: expected a version of PostgreSQL", b.path("postgres"), out)
	}
	if b.major, err = strconv.Atoi(string(match[1])); err != nil {
		return binaries{}, err
	}
	return b, nil
}
