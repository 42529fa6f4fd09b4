// Package seal signs what a journal holds, so that nobody need trust those who keep
// it: checkpoints of all its lines, proofs that a record is among them, and detached
// signatures of certificates, each in a public format that other programs check. It
// knows records and no journal.
//
// # What is signed
//
// The tree is that of RFC 6962, section 2.1, with SHA-256. Its leaves are the journal's
// lines in their order, each whole and without its line feed. A checkpoint (C2SP
// tlog-checkpoint v1.0.0) is a text of three lines: the origin, which names the journal,
// how many lines the tree is over, and its root in base64. It is signed with Ed25519 as a
// signed note (C2SP signed-note v1.0.0), and it is a record itself, a
// thimbled.journal.sealed, with
//
//	size        how many records it seals, from the first; all that come before it
//	root        the root in base64
//	checkpoint  the signed note
//	key         the verifier key of the signature: name+hash+key
//	why         started, test-ended, inspected, daily or stopped
//
// So a daemon's last record is the seal of everything before. Its own line is in the
// next one's tree.
//
// A proof is a text in the format of C2SP tlog-proof (a draft): a line that names the
// format, the record's number less one, the hashes from its leaf up to the root, and
// the checkpoint. Whoever has it, the record's line and the public key needs nothing
// else. A certificate's signature is a SSHSIG (PROTOCOL.sshsig of OpenSSH) of the
// namespace certificate@thimbled.
//
// # What it does not prove
//
// A chain of hashes shows that nothing was changed by anybody who did not hash it all
// anew. A checkpoint shows that nothing was changed by anybody without the key. Neither
// shows anything against those who have the key: they can write a whole journal anew
// and sign it, or cut off its end behind a checkpoint, as long as nobody else has seen
// what was there. And no signature says that what was recorded is true, or when it was.
//
// A second party closes that by keeping the checkpoints as they are made, out of the
// reach of those who have the key: subscribed to over NATS, by mail, or on paper. Each
// checkpoint kept binds all records before it for good: a journal that was written
// anew or cut short does not agree with it.
//
// # Checking with stock tools
//
// This needs sh, awk, GNU sed and coreutils, jq, xxd, openssl (3.0 or later) and
// ssh-keygen, and nothing of ours. It is run in the journal's folder with the file of the public
// key, as ssh-keygen writes it, and any number of certificates that have their
// signatures beside them. KEPT may name a file with a checkpoint that was kept
// elsewhere. It ends with status 0 if everything is as it was signed and all is sealed.
//
//	set -eu
//	export LC_ALL=C
//	key=$1; shift
//	w=$(mktemp -d)
//	trap 'rm -rf "$w"' EXIT
//	bad() { echo "damaged: $*"; exit 1; }
//	sums() { (cd "$w/$1" && ls | xargs sha256sum | cut -c 1-64); }
//
//	# The lines, each in files of its own, and what each says at its end.
//	cat [0-9]*.jsonl >"$w/all"
//	[ "$(tail -c 1 "$w/all" | xxd -p)" = 0a ] || bad "the last line has no end"
//	mkdir "$w/line" "$w/body" "$w/leaf"
//	awk -v w="$w" '{
//		name = sprintf("/%09d", NR); body = substr($0, 1, length($0) - 79)
//		printf "%s", $0 >(w "/line" name); close(w "/line" name)
//		printf "%s}", body >(w "/body" name); close(w "/body" name)
//		printf "\001%s", $0 >(w "/leaf" name); close(w "/leaf" name)
//		print substr($0, length($0) - 78) >(w "/end")
//	}' "$w/all"
//	records=$(wc -l <"$w/all")
//
//	# The chain, and the hash that each line has of itself.
//	sums line >"$w/line.sums"
//	{ printf '%064d\n' 0; sed '$d' "$w/line.sums"; } >"$w/before"
//	jq -r '"\(.sequence) \(.previoushash)"' "$w/all" >"$w/says" || bad "a line is no JSON"
//	seq -f %012.0f "$records" | paste -d ' ' - "$w/before" | cmp - "$w/says" || bad "the chain"
//	sums body | sed 's/.*/,"linehash":"&"}/' | cmp - "$w/end" || bad "a line"
//
//	# The traces, but for those that are on record as removed.
//	jq -rs '(map(select(.type == "thimbled.trace.removed").data.name)) as $gone | .[] |
//		select(.type == "thimbled.pull.ended") | .data.trace | select(.) |
//		select(.name | IN($gone[]) | not) | "\(.sha256)  \(.name)"' "$w/all" >"$w/traces"
//	[ ! -s "$w/traces" ] || sha256sum -c --quiet "$w/traces" || bad "a trace"
//
//	# The root of the tree over the first $1 lines: leaves are hashed behind a zero
//	# byte, two nodes behind a byte of one; one that is left over goes up as it is.
//	(cd "$w/leaf" && ls | xargs sed -i 's/^\x01/\x00/')
//	sums leaf >"$w/leaf.sums"
//	root() {
//		head -n "$1" "$w/leaf.sums" >"$w/level"
//		while [ "$(wc -l <"$w/level")" -gt 1 ]; do
//			paste -d '\0' - - <"$w/level" >"$w/pairs"
//			rm -rf "$w/node" && mkdir "$w/node"
//			sed -n 's/^.\{128\}$/01&/p' "$w/pairs" | xxd -r -p | split -b 65 -a 6 -d - "$w/node/"
//			{ sums node; sed -n '/^.\{64\}$/p' "$w/pairs"; } >"$w/level"
//		done
//		xxd -r -p "$w/level" | base64
//	}
//
//	# A checkpoint: its signature, and its root.
//	{ printf 302a300506032b6570032100 | xxd -r -p; cut -d ' ' -f 2 "$key" | base64 -d | tail -c 32; } >"$w/key"
//	checkpoint() {
//		sed '/^$/,$d' "$1" >"$w/text"
//		sed -n 's/^— [^ ]* //p' "$1" | head -n 1 | base64 -d | tail -c +5 >"$w/signature"
//		openssl pkeyutl -verify -pubin -keyform DER -inkey "$w/key" -rawin -in "$w/text" \
//			-sigfile "$w/signature" >"$w/said" 2>&1 || bad "the signature of a checkpoint"
//		size=$(sed -n 2p "$w/text")
//		[ "$size" -le "$records" ] || bad "records are missing: there were $size"
//		[ "$(root "$size")" = "$(sed -n 3p "$w/text")" ] || bad "not the records that were signed"
//	}
//	[ -z "${KEPT:-}" ] || checkpoint "$KEPT"
//	jq -rs 'map(select(.type == "thimbled.journal.sealed")) | last | .data.checkpoint // ""' "$w/all" >"$w/note"
//	checkpoint "$w/note"
//	[ "$size" = $((records - 1)) ] || bad "no checkpoint seals the records after $size"
//
//	# The certificates.
//	echo "bench $(cut -d ' ' -f 1,2 "$key")" >"$w/signers"
//	for f; do
//		ssh-keygen -Y verify -f "$w/signers" -I bench -n certificate@thimbled -s "$f.sig" <"$f" || bad "$f"
//	done
//	echo "sound: $records records"
package seal
