package suite

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

var historyChecks = []check{
	{"R-HIST-01", func(t *trial) {
		t.ready()
		for _, path := range []string{t.w.main.one("CarePlan") + "/_history", "CarePlan/_history?_count=5", "_history?_count=5"} {
			b := t.history(path)
			if t.hold(len(list(b.tree, "entry")) > 0, "%s is empty", pathOnly(path)) {
				t.saw("%s", pathOnly(path)[strings.LastIndex(pathOnly(path), "/")+1:]+" with entries")
			}
		}
	}},
	{"R-HIST-02", func(t *trial) {
		t.ready()
		deleted := false
		for _, path := range []string{t.w.main.one("CarePlan") + "/_history", "Patient/_history?_count=50", t.w.declined.one("CarePlan") + "/_history"} {
			last := ""
			for _, e := range list(t.history(path).tree, "entry") {
				at := text(e, "response", "lastModified")
				t.hold(last == "" || at <= last, "an entry is newer than the one before it")
				last = at
				deleted = deleted || text(e, "request", "method") == "DELETE" && strings.HasPrefix(text(e, "request", "url"), t.w.declined.one("CarePlan"))
			}
		}
		if t.hold(deleted, "the history of what is gone has no DELETE") {
			t.saw("newest first, with a DELETE")
		}
	}},
	{"R-HIST-03", func(t *trial) {
		t.ready()
		for _, path := range []string{t.w.main.one("CarePlan") + "/_history", t.w.declined.one("CarePlan") + "/_history", "_history?_count=50"} {
			for _, e := range list(t.history(path).tree, "entry") {
				r, method := get(e, "resource"), text(e, "request", "method")
				t.hold(text(e, "request", "url") != "" && text(e, "response", "status") != "" && text(e, "response", "lastModified") != "", "an entry lacks a part of its request or response")
				if method == "DELETE" {
					t.hold(r == nil && text(e, "response", "etag") != "", "a DELETE has a resource, or no etag")
					t.saw("a DELETE")
					continue
				}
				t.hold((method == "PUT" || method == "POST") && r != nil, "an entry of method %q has no resource", method)
				t.hold(text(e, "response", "etag") == etag(r) && text(e, "response", "lastModified") == text(r, "meta", "lastUpdated"), "the response of an entry is not of its resource")
				t.saw("a %s", method)
			}
		}
	}},
	{"R-HIST-06", func(t *trial) {
		ref, writes := t.versions(), t.scale().revisions
		for _, n := range []string{"3", "7", "50"} {
			var all []string
			for _, b := range t.pages(ref + "/_history?_count=" + n) {
				for _, e := range list(b.tree, "entry") {
					all = append(all, text(e, "resource", "meta", "versionId"))
				}
			}
			t.hold(len(all) == writes, "%d saves give %d entries by pages of %s", writes, len(all), n)
			t.hold(len(slices.Compact(slices.Sorted(slices.Values(all)))) == len(all), "a version comes twice")
		}
		t.saw("%d versions of %d saves, by pages of 3, 7 and 50", writes, writes)
	}},
	{"R-HIST-07", func(t *trial) {
		ref := t.versions()
		entries := list(t.history(ref+"/_history?_count=50").tree, "entry")
		t.must(len(entries) > 2, "there are %d versions", len(entries))
		at := text(entries[1], "response", "lastModified")
		t.refused(t.get(ref+"/_history?_since=2024-05-01"), http.StatusBadRequest)
		since := list(t.history(ref+"/_history?_count=50&_since="+url.QueryEscape(at)).tree, "entry")
		if t.hold(len(since) == 2 && text(since[1], "resource", "meta", "versionId") == text(entries[1], "resource", "meta", "versionId"), "of %d versions _since gives %d, and should give the last two", len(entries), len(since)) {
			t.saw("of %d versions the two since an instant, that of the instant among them", len(entries))
		}
	}},
	{"R-HIST-09", func(t *trial) {
		ref := t.versions()
		for _, path := range []string{ref + "/_history?_count=2", "Observation/_history?_count=7"} {
			n, _ := strconv.Atoi(path[strings.LastIndex(path, "=")+1:])
			const most = 20 // pages of a history that may be long
			walked := 0
			for path != "" && walked < most {
				b := t.history(path)
				entries := len(list(b.tree, "entry"))
				t.hold(entries == n || entries < n && b.next == "" && walked > 0, "a page of %d has %d entries", n, entries)
				if path = ""; b.next != "" {
					path = t.local(b.next)
				}
				walked++
			}
			if t.hold(walked > 1, "there is one page") {
				t.saw("%d pages of %d", walked, n)
			}
		}
	}},
	{"R-HIST-11", oneCommit},
	{"R-HIST-12", func(t *trial) {
		const senders, each = 3, 2
		first := t.history("_history?_count=1")
		seenAt := text(list(first.tree, "entry"), 0, "response", "lastModified")
		rs := make([]*sent, senders)
		for i := range rs {
			rs[i] = t.own(fmt.Sprint("polled", i))
		}
		var wg sync.WaitGroup
		results := make([]*trial, senders)
		for i := range rs {
			wg.Add(1)
			go func() {
				defer wg.Done()
				results[i] = t.try(t.ctx, func(u *trial) {
					for range each {
						u.stored(rs[i])
						u.next(rs[i]).edit("Note of a save "+fmt.Sprint(rs[i].revision), "surgery", "advice", "text")
					}
					u.saw("saved")
				})
			}()
		}
		done := make(chan struct{})
		go func() { wg.Wait(); close(done) }()
		polled := map[string]bool{}
		poll := func() {
			newest := ""
			for _, b := range t.pages("_history?_count=500&_since=" + url.QueryEscape(seenAt)) {
				for _, e := range list(b.tree, "entry") {
					newest = max(newest, text(e, "response", "lastModified"))
					polled[refOf(get(e, "resource"))+text(e, "response", "etag")] = true
				}
			}
			seenAt = max(newest, seenAt)
		}
		for waiting := true; waiting; {
			select {
			case <-done:
				waiting = false
			case <-time.After(50 * time.Millisecond):
			}
			poll()
		}
		for i, r := range rs {
			t.exchanges = append(t.exchanges, results[i].exchanges...)
			t.must(results[i].passed(), "a record was not stored")
			x := t.ok(r.one("CarePlan"))
			for _, e := range list(t.history(refOf(x.tree)+"/_history").tree, "entry") {
				t.hold(polled[refOf(x.tree)+text(e, "response", "etag")], "a version was never seen by who polls")
			}
			t.hold(polled[refOf(x.tree)+etag(x.tree)], "the last version was never seen by who polls")
		}
		t.saw("%d saves of %d senders at once, all seen; from outside no transaction is held open", senders*each, senders)
	}},
	{"R-HIST-15", func(t *trial) {
		t.ready()
		first := t.w.planFirst
		path := refOf(first.tree) + "/_history/" + text(first.tree, "meta", "versionId")
		before := t.ok(path)
		for _, m := range []string{http.MethodPut, http.MethodDelete, http.MethodPost, http.MethodPatch} {
			t.refused(t.send(m, path, fhirJSON, first.body), http.StatusMethodNotAllowed)
		}
		t.hold(string(t.ok(path).body) == string(before.body), "the version changed")
	}},
	{"R-PAGE-07", walkBesideWrites},
	{"R-SRCH-22", foundAtOnce},
	{"receiving-decline", declined},
}

// shared are types whose resources are not of one patient, and stay.
var shared = []string{"Practitioner", "PractitionerRole", "Organization", "Device"}

// declined holds that of what was shared, and is not any more, nothing is left to
// read: neither as it is, nor in a version of before, nor in a history.
func declined(t *trial) {
	t.ready()
	gone := map[string]bool{}
	var last *exchange
	for _, x := range list(t.w.declined.answer, "resources") {
		ref := text(x, "reference")
		if slices.Contains(shared, typeOf(ref)) {
			continue
		}
		gone[ref] = true
		now := t.get(ref)
		if t.hold(now.status == http.StatusGone, "a %s of who declined can be read", typeOf(ref)) {
			last = now
		}
		t.hold(t.get(ref+"/_history/"+text(x, "versionId")).status == http.StatusGone, "a version of a %s of who declined can be read", typeOf(ref))
		t.deletion(t.history(ref + "/_history"))
	}
	n := 0
	for _, b := range t.pages("_history?_count=200&_since=" + url.QueryEscape(lastOf(t.w.goneBefore[0].tree))) {
		t.hold(!bytes.Contains(b.body, []byte(t.w.declined.patient)), "a history names who declined")
		for _, e := range list(b.tree, "entry") {
			if ref := text(e, "request", "url"); gone[ref] || gone[refOf(get(e, "resource"))] {
				n++
				t.hold(text(e, "request", "method") == "DELETE" && get(e, "resource") == nil, "the history of all has a %s of who declined", typeOf(ref))
			}
		}
	}
	t.hold(n == len(gone), "of %d resources of who declined the history of all has %d entries", len(gone), n)
	t.sawIn(last, "%d resources, each gone, in every version, with one DELETE", len(gone))
}

// deletion holds a history to one DELETE, and no resource.
func (t *trial) deletion(b bundle) {
	entries := list(b.tree, "entry")
	t.hold(len(entries) == 1 && text(entries, 0, "request", "method") == "DELETE" && get(entries, 0, "resource") == nil, "the history of what is gone is more than one DELETE: %d entries", len(entries))
}

func typeOf(ref string) string { typ, _, _ := strings.Cut(ref, "/"); return typ }

// history is a page of a history.
func (t *trial) history(path string) bundle {
	x := t.ok(path)
	t.must(text(x.tree, "resourceType") == "Bundle" && text(x.tree, "type") == "history", "%s is answered with no history", x.asked())
	return readBundle(x)
}

// versions is an observation that every save of a record changed.
func (t *trial) versions() string {
	t.ready()
	if t.manyVersions != "" {
		return t.manyVersions
	}
	r := t.own("often")
	ref := ""
	for i := range t.scale().revisions {
		t.stored(r.edit(json.Number(fmt.Sprintf("%d.50", 80+i)), "surgery", "weight", "kg"))
		if i == 0 {
			for _, o := range t.all("Observation?patient=" + idOf(r.one("Patient")) + "&_count=200") {
				if text(o, "valueQuantity", "value") == "80.50" {
					ref, t.firstOfMany = refOf(o), o
				}
			}
		}
		t.next(r)
	}
	t.must(ref != "", "no observation has the weight that was sent")
	t.manyVersions = ref
	return ref
}

func lastOf(r any) string { return text(r, "meta", "lastUpdated") }

// moment is when an observation was made.
func moment(r any) time.Time {
	at, _ := time.Parse(time.RFC3339, text(r, "effectiveDateTime"))
	return at
}
