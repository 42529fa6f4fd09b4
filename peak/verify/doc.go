// Package verify judges a verification of the bench's force readings: forces that a
// reference standard applied, beside what the bench indicated, in two or more runs. It
// works by ASTM E4 (percent error, repeatability, choice of forces, lower limit) and
// states what ISO 7500-1 would call the result. Figures are real numbers in newtons and
// per cent; nothing here is part of the stream of readings.
package verify
