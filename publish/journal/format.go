package journal

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// Format is the format of new journals. Format 1 has no file that says so. Format 2
// has the file format, and a trace may be gone if a thimbled.trace.removed says so.
// The lines are the same. A journal keeps the format it was begun with until
// something is done that needs a later one.
const Format = 2

const (
	formatName = "format"
	formatText = "thimbled journal format "
	// mostFormat is more than the file ever needs.
	mostFormat = 256
)

// readFormat returns the format of a journal; there says that it has the file.
// A file that is empty or not whole is what a power cut left of one that was not synced,
// as those of earlier versions were.
func readFormat(fsys FS, dir string, there bool) (int, error) {
	if !there {
		return 1, nil
	}
	f, err := fsys.OpenFile(filepath.Join(dir, formatName), os.O_RDONLY, 0)
	if errors.Is(err, fs.ErrNotExist) {
		return 1, nil
	}
	if err != nil {
		return 0, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, mostFormat))
	if err != nil {
		return 0, err
	}
	return parseFormat(string(text))
}

func parseFormat(text string) (int, error) {
	if torn(text) {
		return 1, nil
	}
	number, ok := strings.CutPrefix(strings.TrimSuffix(text, "\n"), formatText)
	n, err := strconv.ParseUint(number, 10, 16)
	switch {
	case !ok || err != nil || n < 2 || strconv.FormatUint(n, 10) != number:
		return 0, &Damage{File: formatName, Reason: fmt.Sprintf("says %.40q, not %q and a number", text, formatText)}
	case n > Format:
		return 0, fmt.Errorf("%w: %d, and this version knows up to %d; use the version that wrote it or a later one", ErrFormat, n, Format)
	}
	return int(n), nil
}

// torn says whether a power cut can have left this of the file: part of it, and zeros
// where the disk has nothing yet.
func torn(text string) bool {
	begun := strings.HasPrefix(formatText, text) || strings.HasPrefix(text, formatText)
	return strings.Contains(text, "\x00") || begun && !strings.HasSuffix(text, "\n")
}

// beginFormat gives a new journal its format. Its first record makes the file's name
// durable.
func (w *Writer) beginFormat() error {
	if len(w.segments) > 0 || w.format == Format {
		return nil
	}
	return w.writeFormat()
}

// raiseFormat brings a journal to the format of today before a record is written that
// needs it: no power cut may leave such a record in a journal of an earlier format.
func (w *Writer) raiseFormat() error {
	if w.format == Format {
		return nil
	}
	if err := w.writeFormat(); err != nil {
		return err
	}
	return w.opts.FS.SyncDir(w.dir)
}

func (w *Writer) writeFormat() error {
	if err := replace(w.opts.FS, w.path(formatName), fmt.Appendf(nil, "%s%d\n", formatText, Format), true); err != nil {
		return fmt.Errorf("write the journal's format: %w", err)
	}
	w.format = Format
	return nil
}

// replace writes a file under another name, makes its bytes durable if need be, and then
// gives it its own name.
func replace(fsys FS, path string, content []byte, durable bool) error {
	made := path + newSuffix
	if err := fsys.Remove(made); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	f, err := fsys.OpenFile(made, os.O_WRONLY|os.O_CREATE|os.O_EXCL, filePerm)
	if err != nil {
		return err
	}
	n, err := f.Write(content)
	if err == nil && n < len(content) {
		err = io.ErrShortWrite
	}
	if err == nil && durable {
		err = f.Sync()
	}
	if err := errors.Join(err, f.Close()); err != nil {
		return errors.Join(err, fsys.Remove(made))
	}
	return fsys.Rename(made, path)
}
