// Package bench is the simulated pull bench at wire level: a seeded plant
// (pump, valve, cylinder, item, load cell) worked by a scripted operator, its
// instruments with their registers, and the lines they answer on (Modbus RTU
// on pseudo-terminals, Modbus TCP, RTU over TCP, printed text, or a buffered
// line in memory), each of which can be made to misbehave by named faults.
package bench
