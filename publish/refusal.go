package publish

// Refusal is a command's answer when it was not carried out. Its code is that of
// HTTP where one fits.
type Refusal struct {
	Code int
	Why  string // a sentence that says what to do
}

func (r *Refusal) Error() string { return r.Why }

// The refusals' codes.
const (
	BadRequest   = 400 // the body is not what the command takes
	SignInNeeded = 401 // nobody has signed in
	Forbidden    = 403 // the role is too small for it
	NotFound     = 404 // what it is about does not exist
	Conflict     = 409 // the bench is not in the state for it
	TooLarge     = 413 // the body is larger than 64 KiB
	Internal     = 500 // the daemon failed
	TooLate      = 504 // the daemon did not find an answer in time
)
