// Package near guesses which name was meant by one that is not known.
package near
