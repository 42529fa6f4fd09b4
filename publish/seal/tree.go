package seal

import (
	"fmt"

	"golang.org/x/mod/sumdb/tlog"
)

// Edge is the right edge of the tree over a journal's lines: all that is needed to
// go on and to seal what there is. It is about 2 KiB whatever the journal's size.
// The zero Edge is that of an empty journal. One goroutine uses it.
//
// The tree is that of RFC 6962, section 2.1, with SHA-256; a leaf is a whole line
// without its line feed.
type Edge struct {
	size int64
	at   [63]tlog.Hash // the last whole subtree of each height
}

// ReadHashes gives those hashes that the edge is made of (tlog.HashReader).
func (e *Edge) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(indexes))
	for i, index := range indexes {
		level, _ := tlog.SplitStoredHashIndex(index)
		out[i] = e.at[level]
	}
	return out, nil
}

// Add adds the next line. It keeps nothing of it but its hash.
func (e *Edge) Add(line []byte) {
	added := grow(e.size, line, e)
	e.at[len(added)-1] = added[len(added)-1]
	e.size++
}

// Size returns how many lines were added.
func (e *Edge) Size() int64 { return e.size }

// checkpoint states the whole tree.
func (e *Edge) checkpoint(origin string) Checkpoint {
	return Checkpoint{Origin: origin, Size: e.size, root: rootOf(e.size, e)}
}

// Sealed is a signed checkpoint with what it says.
type Sealed struct {
	Checkpoint
	Note string // the signed note
	Key  string // the verifier key of its signature
}

// Seal signs a checkpoint of all the lines so far.
func (e *Edge) Seal(k *Key, origin string) (Sealed, error) {
	c := e.checkpoint(origin)
	signed, err := c.sign(k)
	return Sealed{Checkpoint: c, Note: signed, Key: k.Public().Verifier(origin)}, err
}

// grow returns the hashes that a line adds to a tree.
func grow(size int64, line []byte, stored tlog.HashReader) []tlog.Hash {
	added, err := tlog.StoredHashes(size, line, stored)
	if err != nil {
		panic(fmt.Sprintf("grow tree: %v", err)) // our readers never fail
	}
	return added
}

// rootOf returns the root of the first records of a tree.
func rootOf(size int64, stored tlog.HashReader) tlog.Hash {
	root, err := tlog.TreeHash(size, stored)
	if err != nil {
		panic(fmt.Sprintf("hash tree: %v", err)) // our readers never fail
	}
	return root
}

// tree is the whole tree, 64 bytes a line, for audits and proofs.
type tree struct {
	size   int64
	stored []tlog.Hash
}

// ReadHashes gives any hash of the tree (tlog.HashReader).
func (t *tree) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(indexes))
	for i, index := range indexes {
		out[i] = t.stored[index]
	}
	return out, nil
}

func (t *tree) add(line []byte) {
	t.stored = append(t.stored, grow(t.size, line, t)...)
	t.size++
}

// leaf returns the hash of a record that is in the tree; records count from 1.
func (t *tree) leaf(record int64) tlog.Hash { return t.stored[tlog.StoredHashIndex(0, record-1)] }

// prove returns the path from a record, counted from 1, to the root of the tree
// over the first records.
func (t *tree) prove(size, record int64) (tlog.RecordProof, error) {
	return tlog.ProveRecord(size, record-1, t)
}
