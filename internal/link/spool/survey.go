package spool

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"os"
	"syscall"
)

// The layout of a bbolt file, version 2. A file is read here before bbolt opens
// it, because bbolt scans the pages in a goroutine of its own, where the panic
// about a damaged page cannot be recovered: the program would end at every start.
// One bad page of a hundred did that in half of the trials.
const (
	pageHeader  = 16 // id u64, flags u16, count u16, overflow u32
	pageElement = 16
	metaBytes   = 64 // magic, version, page size, flags u32; root, sequence, free list, high water, txid, checksum u64
	metaMagic   = 0xED0CDAED
	metaVersion = 2
	branchPage  = 0x01
	leafPage    = 0x02
	bucketEntry = 0x01
	bucketBytes = 16 // root page u64, sequence u64; a small bucket follows within its entry
	noFreeList  = ^uint64(0)
)

// survey reads the pages of one file.
type survey struct {
	file     io.ReaderAt
	pageSize uint64
	root     uint64
	pages    uint64 // high-water mark
	seen     map[uint64]bool
	bad      int
	first    error // the first damage, for the log
}

// examine checks the file before it is opened. Without damage it gives nil and
// the file stays as it is. Damage gives an error that wraps ErrDamaged; then aside
// is called while the file is still locked, so that no other program can have
// it. A file that another program has open is ErrInUse.
func examine(path string, aside func() error) (err error) {
	f, err := os.Open(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer f.Close()
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB); err != nil {
		return inUse(path)
	}
	s, err := newSurvey(f)
	if err == nil {
		if s == nil {
			return nil
		}
		s.walk(s.root, nil)
		err = s.damage()
	}
	if !errors.Is(err, ErrDamaged) {
		return err
	}
	return errors.Join(err, aside())
}

func inUse(path string) error {
	return fmt.Errorf("%w: %s is locked — stop the other daemon, or give this one a data directory of its own", ErrInUse, path)
}

// newSurvey finds the newer of the two valid meta pages. It gives nil for an empty
// file, which is one that was made and never written.
func newSurvey(f *os.File) (*survey, error) {
	info, err := f.Stat()
	if err != nil || info.Size() == 0 {
		return nil, err
	}
	var s *survey
	var newest uint64
	for _, at := range []int64{0, 512, 1024, 2048, 4096, 8192, 16384, 32768, 65536} {
		m := make([]byte, pageHeader+metaBytes)
		if _, err := f.ReadAt(m, at); err != nil {
			break
		}
		m = m[pageHeader:]
		size, txid := uint64(binary.NativeEndian.Uint32(m[8:])), binary.NativeEndian.Uint64(m[48:])
		if !validMeta(m) || at != 0 && uint64(at) != size || s != nil && txid < newest {
			continue
		}
		newest = txid
		s = &survey{file: f, pageSize: size, root: binary.NativeEndian.Uint64(m[16:]), pages: binary.NativeEndian.Uint64(m[40:]), seen: map[uint64]bool{}}
		if list := binary.NativeEndian.Uint64(m[32:]); list != noFreeList && (list < 2 || list >= s.pages) {
			s.report("free list on page %d of %d", list, s.pages)
		}
	}
	if s == nil {
		return nil, fmt.Errorf("%w: neither of its two first pages is whole", ErrDamaged)
	}
	if s.pageSize < 512 || s.pageSize > 1<<16 || s.pages > uint64(info.Size())/s.pageSize {
		return nil, fmt.Errorf("%w: it has %d bytes, expected %d pages of %d", ErrDamaged, info.Size(), s.pages, s.pageSize)
	}
	return s, nil
}

func validMeta(m []byte) bool {
	h := fnv.New64a()
	h.Write(m[:56])
	return binary.NativeEndian.Uint32(m) == metaMagic && binary.NativeEndian.Uint32(m[4:]) == metaVersion && binary.NativeEndian.Uint64(m[56:]) == h.Sum64()
}

func (s *survey) report(format string, args ...any) {
	s.bad++
	if s.first == nil {
		s.first = fmt.Errorf(format, args...)
	}
}

func (s *survey) damage() error {
	if s.bad == 0 {
		return nil
	}
	return fmt.Errorf("%w: %d bad pages, the first: %w", ErrDamaged, s.bad, s.first)
}

// walk reads the tree under a page and gives what its leaves hold, in order, to
// leaf (may be nil). A damaged page is reported and what hangs below it left out.
func (s *survey) walk(id uint64, leaf func(key, value []byte, isBucket bool)) {
	page, err := s.page(id)
	if err == nil {
		err = s.elements(page, leaf)
	}
	if err != nil {
		s.report("page %d: %w", id, err)
	}
}

// page reads a page with its overflow and checks what its header says.
func (s *survey) page(id uint64) ([]byte, error) {
	if id < 2 || id >= s.pages {
		return nil, fmt.Errorf("expected a page from 2 to %d", s.pages-1)
	}
	if s.seen[id] {
		return nil, errors.New("it is used twice")
	}
	head := make([]byte, pageHeader)
	if _, err := s.file.ReadAt(head, int64(id*s.pageSize)); err != nil {
		return nil, err
	}
	overflow := uint64(binary.NativeEndian.Uint32(head[12:]))
	if self := binary.NativeEndian.Uint64(head); self != id || overflow >= s.pages-id {
		return nil, fmt.Errorf("it says that it is page %d with %d more", self, overflow)
	}
	for i := range overflow + 1 {
		if s.seen[id+i] {
			return nil, errors.New("it is used twice")
		}
		s.seen[id+i] = true
	}
	page := make([]byte, (overflow+1)*s.pageSize)
	_, err := s.file.ReadAt(page, int64(id*s.pageSize))
	return page, err
}

// elements reads the elements of a page, or of a bucket within an entry.
func (s *survey) elements(page []byte, leaf func(key, value []byte, isBucket bool)) error {
	if len(page) < pageHeader {
		return errors.New("a bucket without a header")
	}
	flags, count := binary.NativeEndian.Uint16(page[8:]), int(binary.NativeEndian.Uint16(page[10:]))
	if flags != branchPage && flags != leafPage || flags == branchPage && count == 0 || pageHeader+count*pageElement > len(page) {
		return fmt.Errorf("it has kind %#x and %d elements", flags, count)
	}
	var before []byte
	for i := range count {
		at := pageHeader + i*pageElement
		e := page[at:]
		var pos, keySize, valueSize uint64
		if flags == branchPage {
			pos, keySize = uint64(binary.NativeEndian.Uint32(e)), uint64(binary.NativeEndian.Uint32(e[4:]))
		} else {
			pos, keySize, valueSize = uint64(binary.NativeEndian.Uint32(e[4:])), uint64(binary.NativeEndian.Uint32(e[8:])), uint64(binary.NativeEndian.Uint32(e[12:]))
		}
		if pos+keySize+valueSize > uint64(len(e)) {
			return fmt.Errorf("element %d of %d lies outside", i, count)
		}
		key, value := e[pos:pos+keySize], e[pos+keySize:pos+keySize+valueSize]
		if i > 0 && bytes.Compare(before, key) >= 0 {
			return fmt.Errorf("the keys of elements %d and %d are not in order", i-1, i)
		}
		before = key
		switch isBucket := flags == leafPage && binary.NativeEndian.Uint32(e)&bucketEntry != 0; {
		case flags == branchPage:
			s.walk(binary.NativeEndian.Uint64(e[8:]), leaf)
		case leaf != nil:
			leaf(key, value, isBucket)
		case isBucket:
			if err := s.bucket(value, nil); err != nil {
				return fmt.Errorf("element %d: %w", i, err)
			}
		}
	}
	return nil
}

// bucket walks what an entry of a bucket leads to.
func (s *survey) bucket(entry []byte, leaf func(key, value []byte, isBucket bool)) error {
	if len(entry) < bucketBytes {
		return errors.New("a bucket without a root")
	}
	if root := binary.NativeEndian.Uint64(entry); root != 0 {
		s.walk(root, leaf)
		return nil
	}
	return s.elements(entry[bucketBytes:], leaf)
}

// salvage gives the whole batches of a damaged file, in the order of their
// numbers as far as the pages tell it. It says how many there were.
func salvage(path string, take func(value []byte) error) (n int, err error) {
	f, err := os.Open(path)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	s, err := newSurvey(f)
	if err != nil || s == nil {
		return 0, nil // without a beginning nothing can be found
	}
	batch := func(key, value []byte, _ bool) {
		if _, bad := decodeStored(value); len(key) != 8 || bad != nil || err != nil {
			return
		}
		if err = take(value); err == nil {
			n++
		}
	}
	s.walk(s.root, func(key, value []byte, isBucket bool) {
		if isBucket && string(key) == bucketBatches {
			// What is damaged in it stays in the file that was moved aside.
			_ = s.bucket(value, batch)
		}
	})
	return n, err
}
