// Package seal signs what a journal holds, so that nobody need trust those who
// keep it.
package seal
