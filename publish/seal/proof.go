package seal

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/tlog"
)

// proofHeader is the first line of a proof, by C2SP tlog-proof.
const proofHeader = "c2sp.org/tlog-proof@v1"

// proof shows that a record is among those that a checkpoint seals: the format is
//
//	c2sp.org/tlog-proof@v1
//	index 41                   the record's number less one
//	base64 of a hash           any number of lines: the path from the leaf to the root
//
//	the checkpoint             as it was signed
type proof struct {
	index  int64
	path   tlog.RecordProof
	signed string
}

func (p proof) format() []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\nindex %d\n", proofHeader, p.index)
	for _, h := range p.path {
		fmt.Fprintln(&b, h)
	}
	return []byte(b.String() + "\n" + p.signed)
}

var errNoProof = errors.New("it is no proof in the format " + proofHeader)

// parseProof reads a proof. A line of extra data, which the format allows, is
// passed over: nothing vouches for it.
func parseProof(text string) (proof, error) {
	head, signed, ok := strings.Cut(text, "\n\n")
	lines := strings.Split(head, "\n")
	if !ok || lines[0] != proofHeader {
		return proof{}, errNoProof
	}
	lines = lines[1:]
	if len(lines) > 0 && strings.HasPrefix(lines[0], "extra ") {
		lines = lines[1:]
	}
	const longestPath = 63
	if len(lines) == 0 || len(lines) > 1+longestPath {
		return proof{}, errNoProof
	}
	digits, ok := strings.CutPrefix(lines[0], "index ")
	index, err := strconv.ParseInt(digits, 10, 64)
	if !ok || err != nil || index < 0 || strconv.FormatInt(index, 10) != digits {
		return proof{}, errNoProof
	}
	p := proof{index: index, signed: signed}
	for _, line := range lines[1:] {
		h, err := parseHash(line)
		if err != nil {
			return proof{}, errNoProof
		}
		p.path = append(p.path, h)
	}
	return p, nil
}

// check checks that the proof leads from a leaf to a checkpoint that one of the
// keys signed, and returns it.
func (p proof) check(leaf tlog.Hash, keys []PublicKey) (Checkpoint, error) {
	c, err := open(p.signed, keys)
	if err != nil {
		return c, fmt.Errorf("its checkpoint does not count: %w", err)
	}
	if p.index >= c.Size || tlog.CheckRecord(p.path, c.Size, c.root, p.index, leaf) != nil {
		return c, errors.New("it does not lead from the record to its checkpoint")
	}
	return c, nil
}
