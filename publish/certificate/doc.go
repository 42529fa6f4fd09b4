// Package certificate turns what a journal holds about one test into the paper
// that goes with the item: as one HTML page that needs nothing else, and as PDF. It
// is the only importer of the PDF library and of the fonts. What it prints comes from
// records alone, and the digest of the test's record identifies the paper.
package certificate
