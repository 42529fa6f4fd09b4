// Package verify judges a verification of the bench's force readings: forces that a
// reference standard applied, beside what the bench indicated, in two or more runs. By
// ASTM E4 (percent error, repeatability, resolution, number and choice of forces,
// return to zero) it finds the verified range, by ISO 7500-1 (q, b, zero, resolution)
// the class that the figures are good for. Only rising forces are judged: a bench
// measures a load that is raised and held, and falling forces, which hysteresis sets
// apart, are refused and not averaged in. A limit that is met exactly is kept. What is
// marked "from memory" was not compared with the standard's text. Figures are real
// numbers in newtons and per cent; nothing here is part of the stream of readings.
package verify
