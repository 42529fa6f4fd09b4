// Package calibrate fits the curve between a load cell's raw signal and the force that a
// reference standard applied: a polynomial of degree 1 to 3 by least squares, both ways,
// with standard deviations, lack of fit and the lower limit factor and class limits of
// ASTM E74. Forces are real numbers in newtons, the signal is in whatever unit it was read
// in; nothing here is part of the stream of readings.
package calibrate
