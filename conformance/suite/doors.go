package suite

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"regexp"
	"slices"
	"strings"

	"github.com/nats-io/nats.go"

	"nailbridge/internal/events"
)

// sameByBothDoors sends a case over HTTP, and the same case of another patient over
// NATS, and holds what is read of the two to be equal but for ids and times. Each is
// then repeated by the other door, which changes nothing.
func sameByBothDoors(t *trial) {
	t.ready()
	t.must(t.busFault == "", "over NATS: %s", t.busFault)
	c := t.o.Clinics[0]
	var times []string
	cases := make([][]*sent, 2)
	for i := range cases {
		t.overNATS = i == 1
		surgery := t.fill(c, "surgery", t.named("alike"), t.named("P-alike"))
		review := t.fill(c, "review", t.named("alike")+"-review", t.named("P-alike"), "@surgery", surgery.record)
		for _, r := range []*sent{surgery, review, surgery} {
			if r.answer != nil {
				t.next(r).edit("amended", "status").edit(json.Number("71.50"), "surgery", "weight", "kg")
			}
			if i == 0 {
				times = append(times, text(r.content, "savedAt"))
			} else {
				r.edit(times[0], "savedAt")
				times = times[1:]
			}
			t.stored(r)
		}
		cases[i] = []*sent{surgery, review}
	}
	t.overNATS = false
	var all [2][]string
	for i, sent := range cases {
		all[i] = shapes(append(t.compartment(sent[0].one("Patient")), t.medications(sent[0])...), sent[0].record, sent[0].patient)
	}
	t.hold(len(all[0]) > 40, "a case has %d resources", len(all[0]))
	t.hold(len(all[0]) == len(all[1]), "a case has %d resources over HTTP, %d over NATS", len(all[0]), len(all[1]))
	n := common(all[0], all[1])
	t.hold(slices.Equal(all[0], all[1]), "of %d resources by one door, %d are equal to those by the other", len(all[0]), n)
	for i, sent := range cases {
		t.overNATS = i == 0 // the other door than before
		for _, r := range sent {
			x := t.post(c, "", "application/json", encode(r.content))
			t.is(x, "a repeat by the other door", "unchanged", http.StatusOK)
			t.hold(slices.Equal(resourcesOf(x.tree), resourcesOf(sent[0].answer)), "a repeat by the other door names other versions")
		}
	}
	t.overNATS = false
	t.saw("%d resources of a surgery, its review and an amendment by each door, equal but for ids and times; repeats by the other door change nothing", len(all[0]))
}

// medications are those of a record, which no compartment of a patient holds.
func (t *trial) medications(r *sent) (out []any) {
	for _, ref := range r.refs("Medication") {
		out = append(out, t.ok(ref).tree)
	}
	return out
}

// shapes are resources without what differs between two cases that were told alike,
// sorted: each is a digest of what it says and, through references, of what those say
// that it refers to. Ids, versions and the instants of commits are left out.
func shapes(all []any, record, patient string) (out []string) {
	bare, shape := map[string]string{}, map[string]string{}
	alike := strings.NewReplacer(record, "RECORD", patient, "PATIENT")
	for _, r := range all {
		ref := refOf(r)
		r = set(set(set(r, nil, "meta", "versionId"), nil, "meta", "lastUpdated"), nil, "id")
		if text(r, "resourceType") == "Provenance" {
			r = set(set(r, nil, "recorded"), nil, "text") // of its commit; its narrative is a table of versions
		}
		bare[ref] = alike.Replace(unlike.ReplaceAllString(string(encode(r)), ""))
	}
	const far = 4 // references that a difference is followed over
	for range far {
		var named []string
		for ref := range bare {
			named = append(named, `"`+ref+`"`, `"`+shape[ref]+`"`)
		}
		by, next := strings.NewReplacer(named...), map[string]string{}
		for ref, said := range bare {
			sum := sha256.Sum256([]byte(by.Replace(said)))
			next[ref] = text(parse([]byte(said)), "resourceType") + " " + hex.EncodeToString(sum[:])
		}
		shape = next
	}
	return slices.Sorted(maps.Values(shape))
}

// unlike is what two cases cannot have alike: versions in references, and the digest of
// the record that was sent, which names another patient.
var unlike = regexp.MustCompile(`/_history/[0-9A-Za-z.-]+|ni:///sha-256;[0-9A-Za-z_-]+`)

// wallsAtNATS tries to send a record of one clinic with the key of another.
func (t *trial) wallsAtNATS(of, with Clinic, content []byte) {
	_, err := dial(t.o.NATS, Clinic{ID: of.ID, Key: with.Key, NATSKey: with.NATSKey}, t.o.Patience)
	t.attempt("connect as "+of.ID+" with the key of "+with.ID, err)
	t.hold(errors.Is(err, nats.ErrAuthorization), "the key of another clinic opens the connection of %q", of.ID)
	for subject, try := range map[string]func(*nats.Conn, string) error{
		events.RecordsSubject(of.ID): func(c *nats.Conn, subject string) error {
			return c.PublishRequest(subject, nats.NewInbox(), content)
		},
		answersTo(of): func(c *nats.Conn, subject string) error {
			_, err := c.SubscribeSync(subject)
			return err
		},
	} {
		l := t.dial(with) // of its own: what is forbidden is told of a connection
		err := errors.Join(try(l.conn, subject), l.forbidden())
		l.conn.Close()
		t.attempt(subject+" with the key of "+with.ID, err)
		t.hold(errors.Is(err, nats.ErrPermissionViolation), "%s is open to the key of %q", subject, with.ID)
	}
	x := t.publishAll(with, content)[0]
	if t.is(x, "a record of another clinic", "refused") {
		t.hold(text(x.tree, "reasons", 0, "code") == "other-clinic", "a record of another clinic is refused as %q", text(x.tree, "reasons", 0, "code"))
	}
}

// attempt notes what was tried at NATS and what the server said of it.
func (t *trial) attempt(what string, err error) {
	x := &exchange{method: viaNATS, path: what, told: "taken"}
	if err != nil {
		x.told = err.Error()
	}
	t.exchanges = append(t.exchanges, x)
}

// inAnyOrder sends saves of records out of their order, over NATS one behind another
// without waiting for answers, and holds that the last of each counts.
func inAnyOrder(t *trial) {
	records, order := 2, []int{2, 7, 0, 5, 6, 1, 4, 3} // the last of one record early, of the other in between
	if t.overNATS {
		s := t.scale()
		records, order = s.records, nil
		for i := range s.records * s.saves {
			order = append(order, i*27%(s.records*s.saves)) // each once: the two have no common factor
		}
	}
	saves := len(order) / records
	var rs []*sent
	for i := range records {
		rs = append(rs, t.own(fmt.Sprint("order", i)))
	}
	var whose []*sent
	var all [][]byte
	for i := range saves {
		for _, r := range rs {
			if i > 0 {
				t.next(r)
			}
			r.edit(json.Number(fmt.Sprintf("%d.75", 50+i)), "surgery", "weight", "kg")
			r.tried = true
			whose, all = append(whose, r), append(all, encode(r.content))
		}
	}
	var sent [][]byte
	for _, i := range order {
		sent = append(sent, all[i])
	}
	var answers []*exchange
	if t.overNATS {
		answers = t.publishAll(t.o.Clinics[0], sent...)
	} else {
		for _, content := range sent {
			answers = append(answers, t.post(t.o.Clinics[0], "", "application/json", content))
		}
	}
	for i, x := range answers {
		a := text(x.tree, "answer")
		t.hold(a == "stored" || a == "superseded", "a save out of order is answered %d %q", x.status, a)
		if a == "stored" {
			whose[order[i]].answer = x.tree
		}
	}
	last := fmt.Sprintf("%d.75", 50+saves-1)
	for _, r := range rs {
		t.hold(text(t.weightOf(r), "valueQuantity", "value") == last, "after saves out of order another than the last counts")
	}
	t.saw("%s of %d records, out of order", of(len(order), full.saves*full.records, "saves"), records)
}
