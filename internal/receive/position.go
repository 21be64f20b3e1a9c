package receive

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"

	"github.com/google/uuid"

	"nailbridge/internal/store"
	"nailbridge/mapping"
)

// position is how far a renewal came, and what it wrote until there. The store
// keeps it as JSON, in this form.
type position struct {
	Under    string  `json:"Under"` // foldedUnder of the settings; "": it did not begin
	Staff    bool    `json:"Staff"` // what each patient says of the staff is renewed
	After    string  `json:"After"` // ownerMark of the last patient done
	Patients int     `json:"Patients"`
	Failed   int     `json:"Failed"`
	Written  Written `json:"Written"`
}

// after is the position once one more patient is done.
func (p position) after(owner, under string, w *Written, failed bool) position {
	out := position{Under: under, Staff: true, After: owner, Patients: p.Patients + 1, Failed: p.Failed}
	out.Written.add(&p.Written)
	out.Written.add(w)
	if failed {
		out.Failed++
	}
	return out
}

// told is what was written until the position.
func (p position) told(clinic string, causes []mapping.Cause) Remapped {
	out := Remapped{Clinic: clinic, Causes: causes, Patients: p.Patients, Failed: p.Failed}
	for _, typ := range slices.Sorted(maps.Keys(p.Written.Types)) {
		n := p.Written.Types[typ]
		out.Types = append(out.Types, RemappedType{typ, n[Created], n[Updated], n[EnteredInError], n[Removed]})
		out.Versions += n[Created] + n[Updated] + n[EnteredInError] + n[Removed]
	}
	for _, path := range slices.Sorted(maps.Keys(p.Written.Elements)) {
		out.Elements = append(out.Elements, RemappedElements{path, p.Written.Elements[path]})
	}
	return out
}

// position reads how far a renewal under the settings in force came; the zero
// position when none began.
func (v *Receiver) position(r store.Reader) (p position, err error) {
	text, err := r.Mark(v.Settings.Clinic.ID, markPosition)
	if err != nil || text == "" {
		return p, err
	}
	if err := json.Unmarshal([]byte(text), &p); err != nil {
		return position{}, fmt.Errorf("stored position of a renewal: %w", err)
	}
	if p.Under != v.foldedUnder() {
		return position{}, nil
	}
	return p, nil
}

func (v *Receiver) keepPosition(w store.Writer, p position) error {
	return w.SetMark(v.Settings.Clinic.ID, markPosition, marked(p))
}

// ownerMark names an owner in the position without its number, which is the
// patient's: by an id in the secret namespace (D1.7).
func (v *Receiver) ownerMark(o store.Owner) string {
	return uuid.NewSHA1(v.Settings.Namespace, []byte("position\x00"+o.Clinic+"\x00"+o.Patient)).String()
}

// leftOf are the owners that a renewal has not come to. Where the last one it
// did is gone, all are left: to do one again makes no version.
func (v *Receiver) leftOf(owners []store.Owner, p position) []store.Owner {
	if p.After == "" {
		return owners
	}
	i := slices.IndexFunc(owners, func(o store.Owner) bool { return v.ownerMark(o) == p.After })
	return owners[i+1:]
}
