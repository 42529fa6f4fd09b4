package seal

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"testing"

	"golang.org/x/mod/sumdb/tlog"
)

// The roots of the trees over the first so many of these leaves, as in the tests
// of the first programs for RFC 6962 (from memory).
var (
	knownLeaves = []string{"", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"}
	knownRoots  = []string{
		"6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
		"fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
		"aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
		"d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
		"4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
		"76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
		"ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
		"5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
	}
)

func TestKnownRoots(t *testing.T) {
	var e Edge
	var whole tree
	for i, leaf := range knownLeaves {
		line, err := hex.DecodeString(leaf)
		if err != nil {
			t.Fatal(err)
		}
		e.Add(line)
		whole.add(line)
		root := e.checkpoint(origin).root
		if got := hex.EncodeToString(root[:]); got != knownRoots[i] {
			t.Errorf("the edge of %d leaves has the root %s, want %s", i+1, got, knownRoots[i])
		}
		if root = rootOf(int64(i+1), &whole); hex.EncodeToString(root[:]) != knownRoots[i] {
			t.Errorf("the tree of %d leaves has the root %x", i+1, root)
		}
	}
}

// treeHash is MTH of RFC 6962, section 2.1, as it is written there.
func treeHash(leaves [][]byte) [32]byte {
	switch n := len(leaves); n {
	case 0:
		return sha256.Sum256(nil)
	case 1:
		return sha256.Sum256(append([]byte{0}, leaves[0]...))
	default:
		k := 1
		for 2*k < n {
			k *= 2
		}
		left, right := treeHash(leaves[:k]), treeHash(leaves[k:])
		return sha256.Sum256(append(append([]byte{1}, left[:]...), right[:]...))
	}
}

func TestTreeIsThatOfTheRule(t *testing.T) {
	var e Edge
	var whole tree
	var leaves [][]byte
	for n := range 200 {
		if want := treeHash(leaves); e.checkpoint(origin).root != want || rootOf(int64(n), &whole) != tlog.Hash(want) {
			t.Fatalf("the root of %d lines is %v, want %x", n, e.checkpoint(origin).root, want)
		}
		line := fmt.Appendf(nil, "line %d", n)
		leaves = append(leaves, line)
		e.Add(line)
		whole.add(line)
	}
	if e.Size() != 200 {
		t.Errorf("the edge counts %d lines", e.Size())
	}
}

func BenchmarkEdge(b *testing.B) {
	line := make([]byte, 700)
	var e Edge
	b.SetBytes(int64(len(line)))
	b.ReportAllocs()
	for b.Loop() {
		e.Add(line)
	}
}
