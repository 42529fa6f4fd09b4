// Package journal is the source of truth: it makes each event durable before
// anybody hears of it, keeps the trace of each pull beside it, gives both back to
// readers, and audits them from the first byte to the last.
//
// # The folder
//
//	000000000001.jsonl           a segment, named by the number of its first record
//	traces/000000000012.csv      a trace, named by the number of its pull.started record
//	lock                         held by the one process that appends
//	format                       "thimbled journal format 2"; a journal of format 1 has none
//	checked                      a note of how far the finished segments were checked
//	000000000001.jsonl.tail-1    what was cut off a damaged end, kept aside
//
// Folders of other names are left alone. The note is an aid and may be lost: it says
// what an earlier check of the finished segments found, with a SHA-256 behind it, so
// that a start reads only what came after. What is on note is read again while the
// daemon runs. A program older than the format file reads such a journal all the same,
// but takes a trace that was removed for one that is missing.
//
// # A line
//
// Each line is one CloudEvents JSON object, ended by a line feed. After the
// attributes of the event it has, in this order,
//
//	sequence      the number of the record, twelve digits, from 1 without a gap
//	recordedtime  when it was recorded, RFC 3339 with nanoseconds, UTC
//	previoushash  SHA-256 of the whole line before, without its line feed; 64 zeros in the first
//	linehash      SHA-256 of the line without this member: all before ,"linehash": and a closing brace
//
// The first line of a segment names the last line of the segment before. Hashes
// are lower-case hex. So a changed byte is found in any line, the last one too,
// and so is a line taken out, put in or moved. What no chain of hashes can show is
// that whole records are missing at the very end, or that somebody wrote the
// whole journal anew; records of the type thimbled.journal.sealed are there for that.
//
// # Checking it by hand
//
// This needs sh, sha256sum and jq; it is run in the folder and ends with
// status 0 if the journal and its traces are sound. Of a trace that was removed, as a
// thimbled.trace.removed says, it tells that the file is not there:
//
//	before=$(printf %064d 0) number=0
//	cat [0-9]*.jsonl | while IFS= read -r line || [ -n "$line" ]; do
//		number=$((number + 1))
//		set -- $(printf %s "$line" | jq -r '.sequence, .previoushash, .linehash')
//		body=${line%,\"linehash\":*}
//		hash=$(printf '%s}' "$body" | sha256sum)
//		[ "$1" = "$(printf %012d $number)" ] && [ "$2" = "$before" ] &&
//			[ "$line" = "$body,\"linehash\":\"${hash%% *}\"}" ] ||
//			{ echo "record $number is damaged"; exit 1; }
//		before=$(printf %s "$line" | sha256sum)
//		before=${before%% *}
//	done || exit 1
//	cat [0-9]*.jsonl | jq -r 'select(.type == "thimbled.pull.ended") | .data.trace |
//		select(.) | "\(.sha256)  \(.name)"' | sha256sum -c --quiet -
package journal
