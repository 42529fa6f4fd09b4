// Package search finds tests, pulls and inspections again: an index that is
// fed with the journal's records in order, holds a summary of each test in memory, or
// of the last ones with the others on shelves of files, and answers queries as Go values, JSON or CSV. The journal stays the truth; each
// summary names its record there.
package search
