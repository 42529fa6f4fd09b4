// Package config reads the bench's file. It is strict: every key, unit and range
// is checked, and all problems are told at once, each with file, line, column,
// key, what is wrong and what would be right. One table of keys decodes the file,
// fills in the defaults and writes the reference file.
package config
