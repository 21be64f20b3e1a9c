package receive

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"

	"nailbridge/internal/store"
	"nailbridge/internal/validate"
)

// outputError says that something which was about to be committed does not pass
// our own check, and that nothing was stored.
type outputError struct{ issues []validate.Issue }

// Error names the first issue and its place, and no value.
func (e *outputError) Error() string {
	return fmt.Sprintf("our own output did not pass the check: %s at %s", e.issues[0].Key, e.issues[0].Path)
}

// The issues of what failed or panicked.
var (
	foldFailed   = []validate.Issue{{Key: "fold", Text: "the fold failed"}}
	checkFailed  = []validate.Issue{{Key: "check", Text: "the check failed"}}
	commitFailed = []validate.Issue{{Key: "commit", Text: "the commit failed"}}
)

// failure is what did not pass when a commit was tried before.
type failure struct {
	issues []validate.Issue // of the first try
	twice  bool             // nor did the second, without what came
}

func (f failure) any() bool { return len(f.issues) > 0 }

// update runs a write transaction. Where something of the commit's own (a
// Provenance, a resource entered in error) does not pass our check, nothing is
// stored and do runs again, told what failed: it must keep what came, and commit
// without it. Where that does not pass either, do runs a third time and must
// commit only what cannot wait (contain), which nothing of ours can stop.
func (v *Receiver) update(ctx context.Context, do func(w store.Writer, failed failure) error) error {
	var failed failure
	for {
		err := v.once(ctx, func(w store.Writer) error { return do(w, failed) })
		var now *outputError
		if !errors.As(err, &now) || failed.twice {
			return err
		}
		v.logIssues("a commit did not pass the check, trying without what it was for", now.issues)
		if failed.any() {
			failed.twice = true
		} else {
			failed.issues = now.issues
		}
	}
}

// once runs a write transaction, in which a fault of ours is an outputError.
func (v *Receiver) once(ctx context.Context, do func(w store.Writer) error) error {
	return v.Store.Update(ctx, func(w store.Writer) (err error) {
		defer v.recovered("a commit", func() { err = &outputError{commitFailed} })
		return do(w)
	})
}

// recovered is deferred where a fault of ours must not end more than what it
// happened in; then tells of it.
func (v *Receiver) recovered(what string, then func()) {
	if p := recover(); p != nil {
		v.Log.Error(what+" failed through a fault of ours", "fault", fmt.Sprintf("%T", p), "stack", string(debug.Stack()))
		then()
	}
}

func (v *Receiver) logIssues(what string, issues []validate.Issue) {
	v.Log.Error(what, "issues", len(issues), "key", issues[0].Key, "path", issues[0].Path)
}

// isOutput reports an outputError.
func isOutput(err error) bool {
	var failed *outputError
	return errors.As(err, &failed)
}
