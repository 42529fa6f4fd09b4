package seal

import (
	"encoding/json"
	"fmt"
	"strings"
)

// collected is a checkpoint that somebody kept, and the line where it begins.
type collected struct {
	signed string
	line   int
}

// noteSignature is how a line of a signed note begins that is a signature.
const noteSignature = "— "

// parseCollected reads checkpoints that somebody kept in a file: signed notes one
// after the other, with or without empty lines between; or the data of sealed events as
// JSON, one a line, as they come over NATS; or both.
func parseCollected(text string) ([]collected, error) {
	var out []collected
	lines := strings.Split(text, "\n")
	for at := 0; at < len(lines); {
		switch line := strings.TrimSuffix(lines[at], "\r"); {
		case strings.TrimSpace(line) == "":
			at++
		case strings.HasPrefix(line, "{"):
			var data struct {
				Checkpoint string `json:"checkpoint"`
			}
			if err := json.Unmarshal([]byte(line), &data); err != nil || data.Checkpoint == "" {
				return nil, fmt.Errorf("line %d: no data of a sealed event", at+1)
			}
			out = append(out, collected{data.Checkpoint, at + 1})
			at++
		default:
			end := endOfNote(lines, at)
			if end < 0 {
				return nil, fmt.Errorf("line %d: no checkpoint begins here", at+1)
			}
			out = append(out, collected{strings.Join(lines[at:end], "\n") + "\n", at + 1})
			at = end
		}
	}
	return out, nil
}

// endOfNote returns where the note ends that begins at a line; below 0 if none
// does: a text, an empty line, and lines of signatures.
func endOfNote(lines []string, at int) int {
	for at < len(lines) && lines[at] != "" {
		at++
	}
	at++
	signatures := min(at, len(lines))
	at = signatures
	for at < len(lines) && strings.HasPrefix(lines[at], noteSignature) {
		at++
	}
	if at == signatures {
		return -1
	}
	return at
}
