package receive

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/google/uuid"

	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/followup"
	"nailbridge/mapping/resource"
)

// Re-map: what is stored is made again with what is in force now, all of it, as
// Renew does; counted, at a pace, and as a dry run first.

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

// Remapped says what a re-map wrote, or would write.
type Remapped struct {
	Clinic   string             `json:"clinic"`
	DryRun   bool               `json:"dryRun"`
	Causes   []mapping.Cause    `json:"causes"`
	Patients int                `json:"patients"`
	Failed   int                `json:"failed"` // patients whose fold does not pass our own check
	Versions int                `json:"versions"`
	Types    []RemappedType     `json:"resources"`
	Elements []RemappedElements `json:"elements"`
}

// RemappedType counts the versions of one resource type by what they are.
type RemappedType struct {
	Type           string `json:"type"`
	Created        int    `json:"created"`
	Updated        int    `json:"updated"`
	EnteredInError int    `json:"enteredInError"`
	Removed        int    `json:"removed"`
}

// RemappedElements counts the versions that differ from the one before in an
// element, named by its path without indexes.
type RemappedElements struct {
	Path     string `json:"path"`
	Versions int    `json:"versions"`
}

// Written counts versions: by resource type and change, and by element.
type Written struct {
	Types    map[string]map[Change]int
	Elements map[string]int
}

func (w *Written) add(o *Written) {
	for typ, n := range o.Types {
		for what, k := range n {
			w.addType(typ, what, k)
		}
	}
	for path, k := range o.Elements {
		w.addElement(path, k)
	}
}

func (w *Written) addType(typ string, what Change, n int) {
	if w.Types == nil {
		w.Types = map[string]map[Change]int{}
	}
	if w.Types[typ] == nil {
		w.Types[typ] = map[Change]int{}
	}
	w.Types[typ][what] += n
}

func (w *Written) addElement(path string, n int) {
	if w.Elements == nil {
		w.Elements = map[string]int{}
	}
	w.Elements[path] += n
}

// made reports that this commit made a version of the resource: a second is none.
func (f *folded) made(ref resource.Ref) bool {
	x, ok := f.changes[ref]
	return ok && x.Change != Same
}

// count counts a version that is about to be noted.
func (f *folded) count(ref resource.Ref, what Change) {
	if f.written != nil && !f.made(ref) {
		f.written.addType(ref.Type, what, 1)
	}
}

// differ counts the elements in which a version will differ from the one before.
func (f *folded) differ(was, now resource.Resource) {
	if f.written == nil || was.IsZero() || f.made(now.Ref()) {
		return
	}
	paths := map[string]bool{}
	differing(now.Type(), was.Tree(), now.Tree(), paths)
	for p := range paths {
		f.written.addElement(p, 1)
	}
}

// differing gathers the paths, without indexes, of the leaves in which two trees
// differ. What only one of them has differs in each of its leaves.
func differing(path string, a, b any, out map[string]bool) {
	am, aIs := a.(map[string]any)
	bm, bIs := b.(map[string]any)
	al, aList := a.([]any)
	bl, bList := b.([]any)
	switch {
	case aIs || bIs:
		for k := range am {
			differing(path+"."+k, am[k], bm[k], out)
		}
		for k := range bm {
			if _, both := am[k]; !both {
				differing(path+"."+k, nil, bm[k], out)
			}
		}
	case aList || bList:
		for i := range max(len(al), len(bl)) {
			differing(path, at(al, i), at(bl, i), out)
		}
	case a != b:
		out[path] = true
	}
}

func at(list []any, i int) any {
	if i < len(list) {
		return list[i]
	}
	return nil
}

// position is how far a renewal came, and what it wrote until there.
type position struct {
	Under    string // foldedUnder of the settings; "": it did not begin
	Staff    bool   // what each patient says of the staff is renewed
	After    string // ownerMark of the last patient done
	Patients int
	Failed   int
	Written  Written
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
	b, err := json.Marshal(p)
	if err != nil {
		return err
	}
	return w.SetMark(v.Settings.Clinic.ID, markPosition, string(b))
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

// madeWith names, by part, all that folds rest on besides what is stored: it
// tells which of them changed, where foldedUnder tells that one did.
func (v *Receiver) madeWith() []mapping.Cause {
	s := v.Settings
	base, _, _ := strings.Cut(s.Terms.Hash(), "+")
	out := []mapping.Cause{
		{Part: "mapping", Now: mapping.Version},
		{Part: "code maps", Now: named(s.Terms.Version(), base)},
	}
	add := func(part, now string) { out = append(out, mapping.Cause{Part: part, Now: now}) }
	confirmed, limits := "", ""
	if c := s.Terms.Confirmed(); c != nil {
		confirmed = c.String()
	}
	if f := s.Clinic.Formulary; f != nil {
		limits = named(strings.TrimSpace(f.Name+" "+f.Date), hashed(f))
	}
	add("confirmed codes", confirmed)
	add("dose limits", limits)
	add("follow-up protocols", v.protocolsMade())
	add("dates of reviews", named(cmp.Or(string(s.Clinic.DefaultProtocol), "no default protocol"), hashed(s.Clinic.DaysOff)))
	zone := s.Clinic.Zone.String()
	s.Terms, s.Protocols, s.Clinic.Zone, s.Clinic.Formulary = nil, nil, nil, nil
	s.Clinic.DefaultProtocol, s.Clinic.DaysOff = "", followup.DaysOff{}
	add("other settings", hashed(zone, s)[:12])
	return out
}

// named is a version beside what tells two of the same name apart.
func named(version, hash string) string { return version + " (" + hash[:12] + ")" }

func hashed(values ...any) string {
	h := sha256.New()
	put(h, values...)
	return hex.EncodeToString(h.Sum(nil))
}

// keepMadeWith keeps what the store is made with.
func (v *Receiver) keepMadeWith(w store.Writer) error {
	b, err := json.Marshal(v.madeWith())
	if err != nil {
		return err
	}
	return w.SetMark(v.Settings.Clinic.ID, markMade, string(b))
}

// changedSince gives the parts that changed since the store was last made as a
// whole. Of a store of before this was kept, or of which a part is new, all that
// is known is what it is made with now.
func (v *Receiver) changedSince(r store.Reader) (out []mapping.Cause, err error) {
	text, err := r.Mark(v.Settings.Clinic.ID, markMade)
	if err != nil {
		return nil, err
	}
	var kept []mapping.Cause
	if text != "" {
		if err := json.Unmarshal([]byte(text), &kept); err != nil {
			return nil, fmt.Errorf("what the store was made with: %w", err)
		}
	}
	before := map[string]string{}
	for _, c := range kept {
		before[c.Part] = c.Now
	}
	for _, c := range v.madeWith() {
		if c.Before = before[c.Part]; c.Before != c.Now {
			out = append(out, c)
		}
	}
	return out, nil
}

// Remap is Renew at a pace, and says what was written. A store that is made with
// all that is in force is left as it is.
func (v *Receiver) Remap(ctx context.Context, pace *Pace) (Remapped, error) {
	if _, err := v.KeepProtocols(ctx); err != nil {
		return Remapped{Clinic: v.Settings.Clinic.ID}, err
	}
	stale, err := v.Outdated(ctx)
	if err != nil || !stale {
		return Remapped{Clinic: v.Settings.Clinic.ID}, err
	}
	return v.renewAt(ctx, pace)
}

// DryRemap says what Remap would write now, from a snapshot. Nothing is written,
// and nobody has to wait for it.
func (v *Receiver) DryRemap(ctx context.Context) (out Remapped, err error) {
	out = Remapped{Clinic: v.Settings.Clinic.ID, DryRun: true}
	err = v.Store.View(ctx, func(r store.Reader) error {
		is, err := v.upToDateIn(r)
		if err != nil || is.folds {
			return err
		}
		re := *v
		re.Store, re.Meter = newTrial(r), noAlarm{}
		if err := re.Store.Update(ctx, func(w store.Writer) error { // what is left, not what was written before
			return w.SetMark(v.Settings.Clinic.ID, markPosition, "")
		}); err != nil {
			return err
		}
		out, err = re.renewAt(ctx, nil)
		out.DryRun = true
		return err
	})
	if err != nil {
		return out, unavailable(err)
	}
	return out, nil
}

// noAlarm counts nothing: a dry run alarms nobody.
type noAlarm struct{}

func (noAlarm) Answered(Kind)      {}
func (noAlarm) HeldRecord(bool)    {}
func (noAlarm) RefusedRecord(bool) {}
func (noAlarm) Unavailable()       {}
func (noAlarm) FailedFold()        {}
