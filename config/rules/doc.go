// Package rules holds the published proof-load rules as data, each with its
// document and how it is known, and reckons from a rule and an item's rated load
// what a pull must reach and must not exceed.
package rules
