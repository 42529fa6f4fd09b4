// Package decision works out what a decision rule means for a measured force (ISO/IEC
// 17025:2017, 7.8.6; JCGM 106:2012, 8): the guard that a rule puts on the required force,
// and how likely it is that a force that was accepted does not really conform. Beside the
// measurement nothing is assumed about the true force: given the measured one it is
// normal around it, with the combined standard uncertainty as its standard deviation.
package decision
