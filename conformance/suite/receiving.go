package suite

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
)

var receivingChecks = []check{
	{"R-ING-02", func(t *trial) {
		r := t.own("again")
		t.stored(r)
		named, plan := r.answer, t.ok(r.one("CarePlan"))
		var wg sync.WaitGroup
		results := make([]*trial, 4)
		for i := range results {
			wg.Add(1)
			go func() {
				defer wg.Done()
				results[i] = t.try(t.ctx, func(u *trial) {
					for range 2 {
						x := u.post(r.clinic, "", "application/json", encode(r.content))
						u.hold(x.status == http.StatusOK && text(x.tree, "answer") == "unchanged", "a repeat is answered %d %q", x.status, text(x.tree, "answer"))
						u.hold(slices.Equal(resourcesOf(x.tree), resourcesOf(named)), "a repeat names other resources")
					}
					u.saw("a repeat")
				})
			}()
		}
		wg.Wait()
		for _, u := range results {
			t.faults, t.exchanges = append(t.faults, u.faults...), append(t.exchanges, u.exchanges...)
		}
		again := t.ok(refOf(plan.tree))
		t.hold(again.header.Get("ETag") == plan.header.Get("ETag"), "a repeat makes a version")
		t.hold(len(t.found("CarePlan?patient="+idOf(r.one("Patient"))).matches) == 1, "a repeat makes another plan")
		t.saw("8 repeats, of which 4 at once")
	}},
	{"R-ING-03", func(t *trial) {
		r := t.own("update")
		t.stored(r)
		first, weight := t.ok(r.one("CarePlan")), t.weightOf(r)
		t.stored(t.next(r).edit(json.Number("64.20"), "surgery", "weight", "kg"))
		second := t.weightOf(r)
		t.hold(refOf(weight) == refOf(second) && text(second, "valueQuantity", "value") == "64.20", "an update does not change the resource that was there")
		t.hold(text(weight, "meta", "versionId") != text(second, "meta", "versionId"), "an update makes no version")
		t.hold(len(t.found("CarePlan?patient="+idOf(r.one("Patient"))).matches) == 1 && refOf(first.tree) == r.one("CarePlan"), "an update makes a second record")
		t.saw("an update of the same resources")
	}},
	{"R-ING-04", func(t *trial) {
		r := t.own("late")
		t.stored(r)
		old := encode(r.content)
		t.next(r)
		middle := encode(r.edit(json.Number("61.10"), "surgery", "weight", "kg").content)
		t.next(r)
		t.stored(r.edit(json.Number("62.20"), "surgery", "weight", "kg"))
		for _, late := range [][]byte{middle, old} {
			x := t.post(r.clinic, "", "application/json", late)
			t.hold(x.status == http.StatusOK && text(x.tree, "answer") == "superseded", "a late older content is answered %d %q", x.status, text(x.tree, "answer"))
		}
		t.hold(text(t.weightOf(r), "valueQuantity", "value") == "62.20", "a late older content counts")
		t.saw("two older contents after a newer one")
	}},
	{"R-ING-08", func(t *trial) {
		r := t.own("refused")
		t.stored(r)
		plan := t.ok(r.one("CarePlan"))
		bad := set(set(r.content, json.Number("2"), "revision"), "upwards", "surgery", "toes", 0, "side")
		x := t.post(r.clinic, "", "application/json", encode(bad))
		t.problem(x, http.StatusUnprocessableEntity)
		t.hold(len(list(x.tree, "reasons")) > 0 && contains(list(x.tree, "reasons"), "pointer", "/surgery/toes/0/side"), "the refusal does not name the place")
		t.problem(t.post(r.clinic, "", "application/json", []byte("<record/>")), http.StatusBadRequest)
		listed := t.ask(request{method: http.MethodGet, path: "/records/" + r.clinic.ID + "?list=refused", key: r.clinic.Key})
		t.hold(contains(list(listed.tree, "deliveries"), "record", r.record), "what was refused is not listed")
		t.hold(t.ok(r.one("CarePlan")).header.Get("ETag") == plan.header.Get("ETag"), "what was refused changes what is published")
		lines := t.post(r.clinic, "", "application/x-ndjson", []byte(string(encode(bad))+"\n"+string(encode(r.content))+"\n"))
		answers := strings.Split(strings.TrimSpace(string(lines.body)), "\n")
		t.must(len(answers) == 2, "two lines have %d answers", len(answers))
		t.hold(text(parse([]byte(answers[0])), "answer") == "refused" && text(parse([]byte(answers[1])), "answer") == "unchanged", "a refused line keeps the next from its answer")
		t.stored(t.next(r).edit(json.Number("63.30"), "surgery", "weight", "kg"))
		t.saw("refused with its places, listed, and the next is taken")
	}},
	{"R-ING-12", func(t *trial) {
		const records, saves = 2, 4
		var rs []*sent
		for i := range records {
			rs = append(rs, t.own(fmt.Sprint("order", i)))
		}
		var all [][2]any
		for i := range saves {
			for _, r := range rs {
				if i > 0 {
					t.next(r)
				}
				r.edit(json.Number(fmt.Sprintf("5%d.75", i)), "surgery", "weight", "kg")
				all = append(all, [2]any{r, encode(r.content)})
			}
		}
		for _, i := range []int{2, 7, 0, 5, 6, 1, 4, 3} { // the last of one record early, of the other in between
			r := all[i][0].(*sent)
			x := t.post(r.clinic, "", "application/json", all[i][1].([]byte))
			t.hold(x.status == http.StatusOK || x.status == http.StatusCreated, "a save out of order is answered %d", x.status)
			if text(x.tree, "answer") == "stored" {
				r.answer = x.tree
			}
		}
		for _, r := range rs {
			t.hold(text(t.weightOf(r), "valueQuantity", "value") == "53.75", "after saves out of order another than the last counts")
		}
		t.saw("%d saves of %d records out of order", records*saves, records)
	}},
	{"R-ING-15", func(t *trial) {
		t.ready()
		t.must(t.w.other != nil, "its subject did not occur: no second test clinic was named")
		a, b := t.o.Clinics[0], t.o.Clinics[1]
		before := t.ok(t.w.main.one("CarePlan"))
		x := t.post(Clinic{a.ID, b.Key}, "", "application/json", encode(set(t.w.main.content, json.Number("50"), "revision")))
		t.problem(x, http.StatusForbidden)
		t.problem(t.post(Clinic{b.ID, a.Key}, "", "application/json", encode(set(t.w.other.content, json.Number("50"), "revision"))), http.StatusForbidden)
		t.problem(t.ask(request{method: http.MethodGet, path: "/records/" + a.ID + "/" + t.w.main.record, key: b.Key}), http.StatusForbidden)
		t.hold(t.ok(t.w.main.one("CarePlan")).header.Get("ETag") == before.header.Get("ETag"), "a record of another clinic changes what is published")
		t.hold(t.w.main.one("Patient") != t.w.other.one("Patient"), "two clinics share a patient")
		t.saw("the key of another clinic opens nothing")
	}},
	{"receiving-repeat", func(t *trial) {
		t.ready()
		x := t.post(t.w.main.clinic, "", "application/json", encode(t.w.main.content))
		t.hold(x.status == http.StatusOK && text(x.tree, "answer") == "unchanged", "a repeat is answered %d %q", x.status, text(x.tree, "answer"))
		t.saw("a repeat is unchanged")
	}},
	{"receiving-order", func(t *trial) {
		r := t.own("early")
		review := t.fill(r.clinic, "review", "early-review", "P-early", "@surgery", r.record)
		x := t.deliver(review)
		t.hold(x.status == http.StatusAccepted && text(x.tree, "answer") == "waiting", "a review before its surgery is answered %d %q", x.status, text(x.tree, "answer"))
		t.stored(r)
		b := t.found("Observation?based-on=" + r.one("CarePlan") + "&_count=200")
		t.saw("a review before its surgery waits, then counts with %d findings", len(b.matches))
	}},
	{"receiving-conflict", func(t *trial) {
		r := t.own("conflict")
		t.stored(r)
		older := encode(set(r.content, json.Number("60.60"), "surgery", "weight", "kg"))
		later := encode(r.edit(t.saved(), "savedAt").edit(json.Number("61.60"), "surgery", "weight", "kg").content)
		x := t.post(r.clinic, "", "application/json", later)
		t.hold(x.status == http.StatusOK && text(x.tree, "answer") == "conflict" && get(x.tree, "counts") == true, "another content of the same revision is answered %d %q", x.status, text(x.tree, "answer"))
		t.hold(contains(list(x.tree, "flags"), "level", "critical"), "a conflict raises no critical flag")
		y := t.post(r.clinic, "", "application/json", older)
		t.problem(y, http.StatusConflict)
		t.hold(text(t.weightOf(r), "valueQuantity", "value") == "61.60", "not the later content counts")
		t.stored(t.next(r))
		t.saw("both kept, the later counts, settled by a higher revision")
	}},
	{"receiving-withdrawal", func(t *trial) {
		t.ready()
		for _, r := range t.everything(t.w.withdrawn) {
			switch text(r, "resourceType") {
			case "Procedure", "Observation", "Encounter", "CarePlan", "MedicationAdministration", "Composition":
				t.hold(text(r, "status") == "entered-in-error", "a %s of a withdrawn record is %q", text(r, "resourceType"), text(r, "status"))
				t.saw("a %s entered in error", text(r, "resourceType"))
			case "Goal":
				t.hold(text(r, "lifecycleStatus") == "entered-in-error", "a Goal of a withdrawn record is %q", text(r, "lifecycleStatus"))
			case "Condition":
				t.hold(text(r, "verificationStatus", "coding", 0, "code") == "entered-in-error", "a Condition of a withdrawn record stands")
			}
		}
	}},
	{"receiving-refusal", func(t *trial) {
		t.ready()
		good := encode(t.w.main.content)
		for _, bad := range []any{
			set(t.w.main.content, nil, "patient", "identifier", "value"), set(t.w.main.content, "done", "status"), set(t.w.main.content, "other", "kind"),
			set(t.w.main.content, "yesterday", "surgery", "toes", 0, "tourniquets", 0, "on"), set(t.w.main.content, "much", "surgery", "toes", 0, "block", "agents", 0, "mL"),
		} {
			x := t.post(t.w.main.clinic, "?dry-run=true", "application/json", encode(bad))
			t.problem(x, http.StatusUnprocessableEntity)
		}
		t.problem(t.post(t.w.main.clinic, "?dry-run=true", "application/json", append(slices.Clone(good), "{}"...)), http.StatusBadRequest)
		twice := strings.Replace(string(good), `"kind":"surgery"`, `"kind":"surgery","kind":"review"`, 1)
		t.problem(t.post(t.w.main.clinic, "?dry-run=true", "application/json", []byte(twice)), http.StatusUnprocessableEntity)
		x := t.post(t.w.main.clinic, "?dry-run=true", "application/json", encode(set(set(t.w.main.content, "a word", "surgery", "nosuch"), json.Number("60"), "revision")))
		t.hold(x.status == http.StatusOK, "an unknown member is answered %d", x.status)
	}},
	{"receiving-dry-run", func(t *trial) {
		r := t.own("dry")
		x := t.post(r.clinic, "?dry-run=true", "application/json", encode(r.content))
		t.must(text(x.tree, "answer") == "stored" && get(x.tree, "dryRun") == true, "a dry run is answered %d %q", x.status, text(x.tree, "answer"))
		t.hold(get(x.tree, "resources", 0, "resource") != nil, "a dry run shows no resource")
		t.none("Patient?identifier=" + r.identifier())
		t.nothingOf(r)
		t.saw("the whole answer, and nothing is written")
	}},
}

// problem holds an answer of /records to a refusal as of RFC 9457.
func (t *trial) problem(x *exchange, status int) {
	defer t.of(x)()
	if t.hold(x.status == status, "a record that must not be taken is answered %d, not %d", x.status, status) &&
		t.hold(media(x) == "application/problem+json" && text(x.tree, "status") == itoa(status) && text(x.tree, "title") != "", "a refusal is no problem details") {
		t.saw("refused with %d", status)
	}
}

// resourcesOf are the resources that an answer names, with their versions.
func resourcesOf(answer any) (out []string) {
	for _, r := range list(answer, "resources") {
		if !strings.HasPrefix(text(r, "reference"), "Provenance/") { // of the commit, which a repeat does not make
			out = append(out, text(r, "reference")+" "+text(r, "versionId"))
		}
	}
	slices.Sort(out)
	return out
}

// weightOf is the weight of a record's patient.
func (t *trial) weightOf(r *sent) any {
	for _, o := range t.found("Observation?patient=" + idOf(r.one("Patient")) + "&_count=200").matches {
		if slices.ContainsFunc(codings(get(o, "code")), func(c any) bool { return token(c) == "http://loinc.org|29463-7" }) {
			return o
		}
	}
	t.must(false, "a record with a weight has no observation of it")
	return nil
}
