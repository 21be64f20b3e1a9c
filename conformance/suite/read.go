package suite

import (
	"bytes"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"
)

var readChecks = []check{
	{"R-READ-01", func(t *trial) {
		t.ready()
		ref := t.w.main.one("CarePlan")
		x := t.ok(ref)
		t.hold(refOf(x.tree) == ref, "another resource is read than was asked for")
		last := versionIn(t.w.main.answer, ref)
		t.hold(text(x.tree, "meta", "versionId") == last, "not the version that was committed last")
		t.hold(last != text(t.w.planFirst.tree, "meta", "versionId"), "the plan did not change by its review")
		t.saw("the last version of a plan that had changed")
	}},
	{"R-READ-02", func(t *trial) {
		t.ready()
		for _, typ := range t.typesOfMain() {
			x := t.ok(t.w.main.one(typ))
			t.hold(x.header.Get("ETag") == etag(x.tree), "the ETag of a %s is not the weak version id", typ)
			t.saw("ETag of a %s", typ)
		}
	}},
	{"R-READ-03", func(t *trial) {
		t.ready()
		for _, typ := range t.typesOfMain() {
			x := t.ok(t.w.main.one(typ))
			at, err := time.Parse(time.RFC3339Nano, text(x.tree, "meta", "lastUpdated"))
			t.must(err == nil, "meta.lastUpdated is no instant")
			said, err := http.ParseTime(x.header.Get("Last-Modified"))
			t.hold(err == nil && said.Equal(at.Truncate(time.Second)), "Last-Modified is not meta.lastUpdated to the second")
			t.saw("Last-Modified of a %s", typ)
		}
	}},
	{"R-READ-04", func(t *trial) {
		t.ready()
		t.ok(t.w.main.one("Procedure"))
		t.refused(t.get("Procedure/never"), http.StatusNotFound, "not-found")
	}},
	{"R-READ-05", func(t *trial) {
		t.ready()
		for _, x := range t.w.goneBefore {
			t.refused(t.get(refOf(x.tree)), http.StatusGone, "deleted")
		}
		t.ok(t.w.main.one("Patient"))
	}},
	{"R-READ-07", func(t *trial) {
		t.ready()
		first := t.w.planFirst
		ref, v := refOf(first.tree), text(first.tree, "meta", "versionId")
		x := t.ok(ref + "/_history/" + v)
		t.hold(refOf(x.tree) == ref && text(x.tree, "meta", "versionId") == v, "another version is read than was asked for")
		now := t.ok(ref)
		t.must(text(now.tree, "meta", "versionId") != v, "the plan has no version but the first")
		current := t.ok(ref + "/_history/" + text(now.tree, "meta", "versionId"))
		t.hold(bytes.Equal(current.body, now.body), "the current version differs from what is read")
		t.hold(bytes.Equal(x.body, first.body) && text(now.tree, "meta", "versionId") != v, "an old version is not as it was first read, or is the current one")
		t.sawIn(x, "an old and the current version of a plan")
	}},
	{"R-READ-09", func(t *trial) {
		t.ready()
		for _, x := range t.w.goneBefore {
			t.refused(t.get(refOf(x.tree)+"/_history/"+text(x.tree, "meta", "versionId")), http.StatusGone)
		}
		n := 0
		for _, e := range list(t.history(t.w.declined.one("CarePlan")+"/_history").tree, "entry") {
			if v := strings.Trim(text(e, "response", "etag"), `W/"`); v != "" && text(e, "request", "method") == "DELETE" {
				t.refused(t.get(t.w.declined.one("CarePlan")+"/_history/"+v), http.StatusGone)
				n++
			}
		}
		t.hold(n > 0, "no version of a deletion was seen")
		now := t.ok(t.w.main.one("CarePlan"))
		t.ok(refOf(now.tree) + "/_history/" + text(now.tree, "meta", "versionId"))
		t.refused(t.get(refOf(now.tree)+"/_history/999"), http.StatusNotFound, "not-found")
	}},
	{"R-READ-10", func(t *trial) {
		t.ready()
		first := t.w.planFirst
		x := t.ok(refOf(first.tree) + "/_history/" + text(first.tree, "meta", "versionId"))
		t.hold(bytes.Equal(x.body, first.body), "the first version of the plan is not what it was")
		now := t.ok(refOf(first.tree))
		t.hold(now.header.Get("ETag") != first.header.Get("ETag") && !bytes.Equal(now.body, first.body), "the plan did not change")
		ref, saves := t.versions(), t.scale().revisions
		y := t.ok(ref + "/_history/" + text(t.firstOfMany, "meta", "versionId"))
		t.hold(bytes.Equal(encode(y.tree), encode(t.firstOfMany)), "the first version of what changed often is not what it was")
		t.saw("versions that were read before the plan changed, and before another did: %s", of(saves-1, 50, "changes"))
	}},
	{"R-READ-11", func(t *trial) {
		t.ready()
		ref := t.w.main.one("CarePlan")
		x := t.ok(ref)
		t.must(refOf(x.tree) == ref && x.header.Get("ETag") != "", "the plan is not read with an ETag")
		same := t.get(ref, "If-None-Match", x.header.Get("ETag"))
		t.hold(same.status == http.StatusNotModified && len(same.body) == 0 || same.status == http.StatusOK && bytes.Equal(same.body, x.body),
			"If-None-Match with the current ETag is answered %d with %d bytes", same.status, len(same.body))
		t.must(x.header.Get("ETag") != t.w.planFirst.header.Get("ETag"), "no ETag is stale: the plan did not change")
		stale := t.get(ref, "If-None-Match", t.w.planFirst.header.Get("ETag"))
		t.hold(stale.status == http.StatusOK && bytes.Equal(stale.body, x.body), "a stale ETag is answered %d", stale.status)
		t.sawIn(same, "the current ETag is answered %d, a stale one %d", same.status, stale.status)
	}},
	{"R-READ-13", func(t *trial) {
		t.ready()
		ref := t.w.main.one("CarePlan")
		x := t.ok(ref)
		at, err := http.ParseTime(x.header.Get("Last-Modified"))
		t.must(err == nil, "no Last-Modified")
		later := t.get(ref, "If-Modified-Since", at.Add(time.Second).UTC().Format(http.TimeFormat))
		t.hold(later.status == http.StatusNotModified || later.status == http.StatusOK, "an instant after the last change is answered %d", later.status)
		equal := t.get(ref, "If-Modified-Since", at.UTC().Format(http.TimeFormat))
		t.hold(equal.status == http.StatusNotModified || equal.status == http.StatusOK, "the instant of the last change is answered %d", equal.status)
		before := t.get(ref, "If-Modified-Since", at.Add(-time.Second).UTC().Format(http.TimeFormat))
		t.hold(before.status == http.StatusOK, "an instant before the last change is answered %d", before.status)
		both := t.get(ref, "If-Modified-Since", at.Add(time.Second).UTC().Format(http.TimeFormat), "If-None-Match", t.w.planFirst.header.Get("ETag"))
		t.hold(both.status == http.StatusOK, "If-Modified-Since counts beside a stale If-None-Match: %d", both.status)
		t.sawIn(later, "after the change %d, before it %d", later.status, before.status)
	}},
	{"R-READ-14", func(t *trial) {
		t.ready()
		ref := t.w.main.one("CarePlan")
		whole := t.ok(ref)
		x := t.ok(ref + "?_summary=text")
		t.hold(get(x.tree, "text") != nil && get(x.tree, "status") != nil && only(x.tree, textual), "_summary=text is not the narrative and what is mandatory")
		t.hold(subsetted(x.tree), "_summary is not tagged SUBSETTED")
		y := t.ok(ref + "?_elements=title")
		t.hold(get(y.tree, "title") != nil && get(y.tree, "status") != nil && only(y.tree, "title resourceType id meta implicitRules status intent subject"), "_elements does not give what was asked for and what is mandatory")
		t.hold(subsetted(y.tree), "_elements is not tagged SUBSETTED")
		t.hold(get(whole.tree, "activity") != nil && !subsetted(whole.tree), "the whole is no more than a part")
		t.saw("parts of a read, tagged")
	}},
}

// typesOfMain are the types of what the main record was published as.
func (t *trial) typesOfMain() (out []string) {
	for _, x := range list(t.w.main.answer, "resources") {
		if typ := typeOf(text(x, "reference")); !slices.Contains(out, typ) {
			out = append(out, typ)
		}
	}
	t.must(len(out) > 0, "the answer names no resource")
	return out
}

// textual are the elements of a plan that _summary=text leaves, and summarized those of
// _summary=true: what R4 marks in the plan's definition (search.html#summary).
const (
	textual    = "resourceType id meta implicitRules text status intent subject"
	summarized = "resourceType id meta implicitRules identifier instantiatesCanonical instantiatesUri basedOn replaces partOf status intent category title description" +
		" subject encounter period created author careTeam addresses"
)

// only reports a resource that has no other elements.
func only(r any, names string) bool {
	m, _ := r.(map[string]any)
	for k := range m {
		if !slices.Contains(strings.Fields(names), strings.TrimPrefix(k, "_")) {
			return false
		}
	}
	return true
}

func etag(r any) string { return fmt.Sprintf("W/%q", text(r, "meta", "versionId")) }

func subsetted(r any) bool {
	for _, c := range list(r, "meta", "tag") {
		if text(c, "code") == "SUBSETTED" {
			return true
		}
	}
	return false
}

// versionIn is the version of a resource that an answer names.
func versionIn(answer any, ref string) string {
	for _, r := range list(answer, "resources") {
		if text(r, "reference") == ref {
			return text(r, "versionId")
		}
	}
	return ""
}
