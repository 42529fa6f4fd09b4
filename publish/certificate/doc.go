// Package certificate turns what a journal holds into paper: about one test into the
// certificate that goes with the item, about one verification of the force readings into its
// report; each as one HTML page that needs nothing else, and as PDF. It is the only
// importer of the PDF library and of the fonts. What it prints comes from records alone,
// and the digest of the test's or the verification's record identifies the paper.
package certificate
