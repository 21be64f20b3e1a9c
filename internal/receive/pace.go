package receive

import (
	"context"
)

// Pace lets others use the store between patients. One Pace is for one run, over
// however many clinics.
type Pace struct {
	Patients int                         // done before each pause; 0: no pause
	Pause    func(context.Context) error // waits
	done     int                         // since the last pause
}

// wait waits before one more patient is done, where a pause is due. No pace at
// all waits never.
func (p *Pace) wait(ctx context.Context) error {
	if p == nil || p.Patients < 1 {
		return nil
	}
	if p.done++; p.done <= p.Patients {
		return nil
	}
	p.done = 1
	return p.Pause(ctx)
}
