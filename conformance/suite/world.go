package suite

import (
	"context"
	"embed"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"
)

//go:embed records/*.json
var templates embed.FS

// demographics are what the records of the suite say of their invented patient;
// none of it may be seen in an error, a link or the report.
var demographics = []string{"Mülldorn", "Zoë", "1988-05-14", "960777", "Invented Row", "OW9 9ZZ", "Quillmarsh"}

const patientSystem = "https://suite.example/patient"

// sent is a record of the suite as it was sent last.
type sent struct {
	clinic   Clinic
	record   string
	patient  string // number of the patient
	content  any
	answer   any
	revision int
	tried    bool // it was sent, and may be there
}

// refs are the resources that the last answer names, of a type.
func (r *sent) refs(typ string) (out []string) {
	for _, x := range list(r.answer, "resources") {
		if ref := text(x, "reference"); strings.HasPrefix(ref, typ+"/") {
			out = append(out, ref)
		}
	}
	return out
}

// one is the first of refs.
func (r *sent) one(typ string) string {
	if all := r.refs(typ); len(all) > 0 {
		return all[0]
	}
	return typ + "/none"
}

// identifier is the patient's, for a query.
func (r *sent) identifier() string { return url.QueryEscape(patientSystem + "|" + r.patient) }

// world is what the suite wrote before it asks.
type world struct {
	day string // of the surgeries: yesterday

	main      *sent // a surgery on two borders, then its review, then an amendment
	review    *sent
	flagged   *sent // a tourniquet without release, an unlisted dressing, consent of a parent
	undone    *sent
	withdrawn *sent
	stopped   *sent // its follow-up was stopped
	declined  *sent // agreed, then declined
	other     *sent // the main record in the second clinic; nil without one

	withdrawal *exchange // of withdrawn
	planFirst  *exchange // the plan as it was first read
	goneBefore []*exchange

	fault string // why it is not whole
}

// fill makes a record of a template; edits are pairs of a path and a value.
func (s *session) fill(clinic Clinic, template, record, patient string, more ...string) *sent {
	b, err := templates.ReadFile("records/" + template + ".json")
	if err != nil {
		panic(err) // it is embedded
	}
	pairs := append([]string{
		"@clinic", clinic.ID, "@record", s.run + "-" + record, "@patient", s.run + "-" + patient, "@day", s.w.day,
		"@saved", s.saved(),
	}, more...)
	var tree any = parse([]byte(strings.NewReplacer(pairs...).Replace(string(b))))
	r := &sent{clinic: clinic, record: s.run + "-" + record, patient: s.run + "-" + patient, content: tree, revision: 1}
	s.mu.Lock()
	s.wrote = append(s.wrote, r)
	s.mu.Unlock()
	return r
}

// saved is the next instant of a save; each is later than the one before.
func (s *session) saved() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.saves++
	return s.began.Add(-9*time.Minute + time.Duration(s.saves)*10*time.Millisecond).UTC().Format("2006-01-02T15:04:05.000Z")
}

// edit changes the content at a path.
func (r *sent) edit(value any, path ...any) *sent {
	r.content = set(r.content, value, path...)
	return r
}

// next makes the content the next revision.
func (t *trial) next(r *sent) *sent {
	r.revision++
	return r.edit(json.Number(fmt.Sprint(r.revision)), "revision").edit(t.saved(), "savedAt")
}

// post sends content at a clinic's door as it is: a record by the door of the check.
func (t *trial) post(c Clinic, query, media string, content []byte) *exchange {
	if t.overNATS && query == "" && media == "application/json" {
		return t.publishAll(c, content)[0]
	}
	t.must(t.allowed[c.ID], "nothing is written: the target does not declare %q a test clinic", c.ID)
	return t.ask(request{method: http.MethodPost, path: "/records" + query, key: c.Key, header: []string{"Content-Type", media}, body: content})
}

// deliver sends a record and keeps the answer.
func (t *trial) deliver(r *sent) *exchange {
	r.tried = true
	x := t.post(r.clinic, "", "application/json", encode(r.content))
	r.answer = x.tree
	return x
}

// stored is deliver of what must be stored.
func (t *trial) stored(r *sent) *exchange {
	x := t.deliver(r)
	t.must(text(x.tree, "answer") == "stored", "a record is answered %d %q, not stored", x.status, text(x.tree, "answer"))
	t.must(get(x.tree, "shared") == true, "a record whose sharing was agreed is not shared")
	return x
}

// own is a surgery of its own for a check that writes: on one border, and with
// less said around it.
func (t *trial) own(name string) *sent {
	t.ready()
	name = t.named(name)
	r := t.fill(t.o.Clinics[0], "surgery", name, "P-"+name)
	for _, more := range []string{"allergies", "marking", "signIn", "timeOut", "signOut", "incision", "home", "counts", "instruments", "risks"} {
		r.edit(nil, "surgery", more)
	}
	for _, more := range []string{"block", "tourniquets", "perfusion"} {
		r.edit(nil, "surgery", "toes", 0, more)
	}
	return r.edit(list(r.content, "surgery", "toes", 0, "borders")[:1], "surgery", "toes", 0, "borders").edit("not-used", "surgery", "toes", 0, "tourniquet")
}

// ready stops a check where the world is not whole.
func (t *trial) ready() { t.must(t.w.fault == "", "%s", t.w.fault) }

// opens holds that a clinic's key opens its lists, and that the target declares it a
// test clinic, into which alone the suite writes.
func (t *trial) opens(c Clinic) {
	x := t.ask(request{method: http.MethodGet, path: "/records/" + url.PathEscape(c.ID) + "?list=refused", key: c.Key})
	t.must(x.status != http.StatusUnauthorized && x.status != http.StatusForbidden, "nothing is written: the key does not open the lists of clinic %q (%d)", c.ID, x.status)
	t.must(x.status == http.StatusOK, "nothing is written: the lists of clinic %q are answered %d", c.ID, x.status)
	t.must(get(x.tree, "test") == true, "nothing is written: the target does not declare %q a test clinic; its settings say \"test\": true of one", c.ID)
	t.allowed[c.ID] = true
}

// prepare writes what the checks ask for.
func (t *trial) prepare() {
	t.must(len(t.o.Clinics) > 0, "no test clinic was named: nothing was written")
	for _, c := range t.o.Clinics {
		t.opens(c)
	}
	c, w := t.o.Clinics[0], &t.w
	w.main = t.fill(c, "surgery", "S-1", "P-1")
	t.stored(w.main)
	seen := t.get(w.main.one("CarePlan")).status
	t.must(seen == http.StatusOK, "the key of the hub does not read what was written into %q (%d)", c.ID, seen)
	w.planFirst = t.ok(w.main.one("CarePlan"))
	w.review = t.fill(c, "review", "R-1", "P-1", "@surgery", w.main.record)
	t.stored(w.review)
	t.stored(t.next(w.main).edit("amended", "status").edit(json.Number("71.50"), "surgery", "weight", "kg"))

	w.flagged = t.fill(c, "surgery", "S-2", "P-2").edit(nil, "surgery", "toes", 0, "tourniquets", 0, "off").edit("seaweed", "surgery", "dressing")
	w.flagged.edit("other", "surgery", "consent", "givenBy").edit("parent", "surgery", "consent", "relationship").edit(map[string]any{"family": "Quillmarsh"}, "surgery", "consent", "giver")
	t.stored(w.flagged)
	w.undone = t.fill(c, "surgery", "S-3", "P-3")
	w.undone.edit(map[string]any{
		"outcome": "not-done", "outcomeReason": "Did not wish it any more", "indication": get(w.undone.content, "surgery", "indication"),
		"operator": get(w.undone.content, "surgery", "operator"), "start": w.day + "T10:00+02:00",
	}, "surgery")
	t.stored(w.undone)
	w.withdrawn = t.fill(c, "surgery", "S-4", "P-4")
	t.stored(w.withdrawn)
	named := w.withdrawn.answer
	w.withdrawal = t.stored(t.next(w.withdrawn).edit("withdrawn", "status"))
	w.withdrawn.answer = named // that of the withdrawal names no patient
	w.stopped = t.fill(c, "surgery", "S-5", "P-5").edit(map[string]any{"reason": "Moved away"}, "surgery", "followUpStopped")
	t.stored(w.stopped)
	w.declined = t.fill(c, "surgery", "S-6", "P-6")
	t.stored(w.declined)
	for _, typ := range []string{"Patient", "CarePlan"} {
		w.goneBefore = append(w.goneBefore, t.ok(w.declined.one(typ)))
	}
	kept := w.declined.answer
	x := t.deliver(t.next(w.declined).edit("declined", "sharing"))
	t.must(text(x.tree, "answer") == "stored" && get(x.tree, "shared") == false, "a declined record is answered %d and shared", x.status)
	w.declined.answer = kept
	if len(t.o.Clinics) > 1 {
		w.other = t.fill(t.o.Clinics[1], "surgery", "S-1", "P-1")
		t.stored(w.other)
	}
	t.saw("the records of the suite were taken")
}

// cleanUp withdraws and declines everything that the suite wrote, also where the run
// was cut off; what cannot be taken back keeps nothing else from it.
func (t *trial) cleanUp() {
	for i, r := range t.wrote {
		t.step(i, len(t.wrote))
		if !t.allowed[r.clinic.ID] || !r.tried {
			continue
		}
		u := t.try(context.WithoutCancel(t.ctx), func(u *trial) { u.takeBack(r) })
		t.faults, t.exchanges, t.facts = append(t.faults, u.faults...), append(t.exchanges, u.exchanges...), append(t.facts, u.facts...)
	}
}

// takeBack withdraws a record, and declines its sharing.
func (t *trial) takeBack(r *sent) {
	if r.answer == nil { // refused, or without an answer: what came of it is asked
		x := t.ask(request{method: http.MethodGet, path: "/records/" + url.PathEscape(r.clinic.ID) + "/" + r.record, key: r.clinic.Key})
		if x.status == http.StatusNotFound {
			t.saw("never there")
			return
		}
	}
	r.revision += 100 // above every revision that a check made up
	r.edit(json.Number(fmt.Sprint(r.revision)), "revision").edit(t.saved(), "savedAt").edit("withdrawn", "status").edit("declined", "sharing")
	if get(r.content, "surgery", "note") != nil {
		r.edit(nil, "surgery", "note") // of the record that is too large
	}
	x := t.post(r.clinic, "", "application/json", encode(r.content))
	if t.hold(text(x.tree, "answer") == "stored" && get(x.tree, "shared") == false, "a record of the suite is still there: %s", x.answered()) {
		t.saw("withdrawn and declined")
	}
}
