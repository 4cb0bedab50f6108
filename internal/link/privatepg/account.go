package privatepg

import (
	"errors"
	"fmt"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
)

// account is the system user that the server programs run as.
type account struct {
	name     string
	uid, gid int
	groups   []int
	// change is true when this program is root and must give up its rights for
	// the server.
	change bool
}

// findAccount decides on the account: this program's own, or runAs (default
// postgres) when this program is root.
func findAccount(runAs string) (account, error) {
	self, err := user.Current()
	if err != nil {
		return account{}, fmt.Errorf("own account: %w", err)
	}
	if os.Geteuid() != 0 {
		if runAs != "" && runAs != self.Username {
			return account{}, fmt.Errorf("run the database as %q: this program runs as %q and may not change users — start it as root or leave the account out", runAs, self.Username)
		}
		return describe(self)
	}
	if runAs == "" {
		runAs = "postgres"
	}
	u, err := user.Lookup(runAs)
	if err != nil {
		return account{}, fmt.Errorf("run the database as %q: %w — install the PostgreSQL server package, which makes the account postgres, or name another system account", runAs, err)
	}
	a, err := describe(u)
	if err != nil {
		return account{}, err
	}
	if a.uid == 0 || a.name == "nobody" {
		return account{}, fmt.Errorf("run the database as %q: PostgreSQL refuses root, and nobody is shared with other programs — name a system account of its own, for example postgres", a.name)
	}
	a.change = true
	return a, nil
}

func describe(u *user.User) (account, error) {
	uid, errUID := strconv.Atoi(u.Uid)
	gid, errGID := strconv.Atoi(u.Gid)
	if err := errors.Join(errUID, errGID); err != nil {
		return account{}, fmt.Errorf("account %q: %w", u.Username, err)
	}
	a := account{name: u.Username, uid: uid, gid: gid, groups: []int{gid}}
	return a, nil
}

// attributes are the process attributes of a server program that must not
// outlive the thread that starts it. It gets a process group of its own: a
// Ctrl-C reaches the whole group of the terminal, and the database must stay
// until what was received is written.
func (a account) attributes(death syscall.Signal) *syscall.SysProcAttr {
	attr := &syscall.SysProcAttr{Pdeathsig: death, Setpgid: true}
	if a.change {
		attr.Credential = &syscall.Credential{Uid: uint32(a.uid), Gid: uint32(a.gid)}
	}
	return attr
}

// give makes the account the owner of a path that this program has made.
func (a account) give(path string) error {
	if !a.change {
		return nil
	}
	return os.Lchown(path, a.uid, a.gid)
}

// ownDirectory makes dir with mode 0700 for the account, or checks that it is
// one already.
func (a account) ownDirectory(dir string) error {
	err := os.Mkdir(dir, 0o700)
	if err == nil {
		return a.give(dir)
	}
	if !errors.Is(err, os.ErrExist) {
		return err
	}
	info, err := os.Lstat(dir)
	if err != nil {
		return err
	}
	if !info.IsDir() {
		return fmt.Errorf("%s is not a directory — move it away", dir)
	}
	if uid := owner(info); uid != a.uid {
		return fmt.Errorf("%s belongs to user id %d, expected %d (%s) — chown -R %s %s, or use another directory", dir, uid, a.uid, a.name, a.name, dir)
	}
	if info.Mode().Perm() != 0o700 {
		return os.Chmod(dir, 0o700)
	}
	return nil
}

// checkReach makes sure that the account may pass through every directory
// above dir.
func (a account) checkReach(dir string) error {
	if !a.change {
		return nil
	}
	var above []string
	for d := dir; ; d = filepath.Dir(d) {
		above = append(above, d)
		if d == filepath.Dir(d) {
			break
		}
	}
	for _, d := range slices.Backward(above) {
		info, err := os.Stat(d)
		if err != nil {
			return err
		}
		if !a.mayPass(info) {
			return fmt.Errorf("account %s may not pass through %s (mode %s) on the way to %s — chmod o+x %s, or keep the data elsewhere, for example in /var/lib/curetally",
				a.name, d, strings.TrimPrefix(info.Mode().String(), "d"), dir, d)
		}
	}
	return nil
}

func (a account) mayPass(info os.FileInfo) bool {
	stat, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return true
	}
	switch mode := info.Mode().Perm(); {
	case int(stat.Uid) == a.uid:
		return mode&0o100 != 0
	case slices.Contains(a.groups, int(stat.Gid)):
		return mode&0o010 != 0
	default:
		return mode&0o001 != 0
	}
}

func owner(info os.FileInfo) int {
	if stat, ok := info.Sys().(*syscall.Stat_t); ok {
		return int(stat.Uid)
	}
	return -1
}
