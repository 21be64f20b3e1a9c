package suite

import (
	"encoding/json"
	"fmt"
	"net/url"
	"strings"
)

// scale is how much of what a row names a number of is tried.
type scale struct {
	tries     int // R-SRCH-22
	together  int // R-HIST-11: resources of one commit
	matches   int // R-PAGE-07
	pages     int // R-PAGE-07: matches of a page
	saves     int // R-ING-12, over NATS, of each of records
	records   int
	revisions int // R-HIST-06, R-READ-10
}

var (
	full  = scale{tries: 1000, together: 1000, matches: 10000, pages: 50, saves: 20, records: 50, revisions: 31}
	quick = scale{tries: 20, together: 100, matches: 200, pages: 10, saves: 8, records: 5, revisions: 31}
)

// scale is that of the run.
func (s *session) scale() scale {
	if s.o.Quick {
		return quick
	}
	return full
}

// of says how many of something were tried, and how many the row names where that is more.
func of(tried, named int, what string) string {
	if tried >= named {
		return fmt.Sprintf("%d %s", tried, what)
	}
	return fmt.Sprintf("%d %s (the row names %d)", tried, what, named)
}

// foundAtOnce searches for each save as soon as it is acknowledged.
func foundAtOnce(t *trial) {
	t.ready()
	r, tries := t.own("found"), t.scale().tries
	for i := range tries {
		t.step(i, tries)
		t.stored(r)
		b := t.search("Patient?identifier=" + r.identifier())
		t.must(len(b.matches) == 1, "what was acknowledged is not found at once, at try %d", i+1)
		weight := text(r.content, "surgery", "weight", "kg")
		t.must(len(t.search("Observation?_count=1&value-quantity="+url.QueryEscape(weight+"||kg")+"&patient.identifier="+r.identifier()).matches) == 1,
			"what changed is not found at once, at try %d", i+1)
		t.next(r).edit(json.Number(fmt.Sprintf("%d.%02d", 60+i/100, i%100)), "surgery", "weight", "kg")
	}
	t.saw("%s, each found at once", of(tries, full.tries, "saves"))
}

// oneCommit walks the history of a commit of many resources by pages of 10, with writes on
// the way. What a patient declines is gone, all cases together, and what is agreed again is
// there again by one commit.
func oneCommit(t *trial) {
	t.ready()
	c, want := t.o.Clinics[0], t.scale().together
	var first *sent
	types, named := map[string]bool{"Provenance": true}, map[string]bool{}
	enough := want + want/5 // some are of the clinic, and stay
	for i := 0; len(named) < enough; i++ {
		t.step(len(named), enough)
		t.must(i < 100, "%d cases have %d resources", i, len(named))
		r := t.fill(c, "surgery", fmt.Sprint("walked", i), "P-walked")
		t.stored(r)
		for _, x := range list(r.answer, "resources") {
			typ, _, _ := strings.Cut(text(x, "reference"), "/")
			types[typ], named[text(x, "reference")] = true, true
		}
		if first == nil {
			first = r
		}
	}
	x := t.deliver(t.next(first).edit("declined", "sharing"))
	t.must(text(x.tree, "answer") == "stored" && get(x.tree, "shared") == false, "what is declined is answered %d", x.status)
	t.stored(t.next(first).edit("agreed", "sharing"))
	at := lastOf(t.ok(first.one("CarePlan")).tree)
	there := map[string]bool{}
	for typ := range types {
		for _, r := range t.all(typ + "?_count=200&_lastUpdated=" + url.QueryEscape(at)) {
			there[refOf(r)] = true
		}
	}
	t.must(len(there) >= want, "one commit has %d resources, and should have %d", len(there), want)
	path, got, wrote := "_history?_count=10&_since="+url.QueryEscape(at), map[string]int{}, 0
	beside := t.own("walked-beside")
	for i := range maxPages {
		b := t.history(path)
		for _, e := range list(b.tree, "entry") {
			if lastOf(get(e, "resource")) == at {
				got[refOf(get(e, "resource"))]++
			}
		}
		switch {
		case i == 1:
			t.stored(t.next(first).edit(json.Number("66.60"), "surgery", "weight", "kg"))
			wrote++
		case i%20 == 3:
			t.stored(beside)
			t.next(beside).edit(json.Number(fmt.Sprintf("5%d.10", i%10)), "surgery", "weight", "kg")
			wrote++
		}
		if b.next == "" {
			break
		}
		path = t.local(b.next)
	}
	lost, again := 0, 0
	for ref := range there {
		switch {
		case got[ref] == 0:
			lost++
		case got[ref] > 1:
			again++
		}
	}
	t.hold(lost+again == 0, "of %d resources of one commit a walk lacks %d and has %d twice", len(there), lost, again)
	t.saw("%s of one commit by pages of 10, with %d writes on the way", of(len(there), full.together, "resources"), wrote)
}

// walkBesideWrites walks a search while another client inserts, updates and deletes:
// what does not change meanwhile is found once.
func walkBesideWrites(t *trial) {
	t.ready()
	c, s := t.o.Clinics[0], t.scale()
	since, all := "", map[string]int{}
	for i := 0; len(all) < s.matches; i++ {
		t.step(len(all), s.matches)
		t.must(i < 1000, "%d cases have %d observations", i, len(all))
		r := t.fill(c, "surgery", fmt.Sprint("beside", i), fmt.Sprint("P-beside", i))
		r.edit(tenToes(r.content), "surgery", "toes")
		t.stored(r)
		if since == "" {
			since = lastOf(t.ok(r.one("CarePlan")).tree)
		}
		for _, o := range r.refs("Observation") {
			all[o] = 0
		}
	}
	walking, done := make(chan struct{}), make(chan *trial)
	go func() {
		done <- t.try(t.ctx, func(u *trial) {
			for i := 0; ; i++ {
				r := u.own(fmt.Sprint("other", i))
				u.stored(r)
				u.stored(u.next(r).edit(json.Number("77.70"), "surgery", "weight", "kg"))
				u.deliver(u.next(r).edit("declined", "sharing"))
				u.saw("written")
				select {
				case <-walking:
					return
				default:
				}
			}
		})
	}()
	path, n := fmt.Sprintf("Observation?_count=%d&_lastUpdated=ge%s", s.pages, url.QueryEscape(since)), 0
	var page bundle
	for path != "" && n < maxPages {
		b := t.search(path)
		for _, r := range b.matches {
			if _, ours := all[refOf(r)]; ours {
				all[refOf(r)]++
			}
		}
		n, page = n+1, b
		if path = ""; b.next != "" {
			path = t.local(b.next)
		}
	}
	close(walking)
	other := <-done
	t.faults, t.exchanges = append(t.faults, other.faults...), append(t.exchanges, other.exchanges...)
	missing, twice := 0, 0
	for _, found := range all {
		if found == 0 {
			missing++
		}
		if found > 1 {
			twice++
		}
	}
	t.hold(path == "" && n > 2, "a walk of %d pages does not end, or is none", n)
	t.hold(missing+twice == 0, "of %d that did not change a walk beside writes misses %d and has %d twice", len(all), missing, twice)
	t.sawIn(page.exchange, "%s by pages of %d, while %d records were inserted, updated and deleted", of(len(all), full.matches, "matches"), s.pages, len(other.facts))
}

// tenToes are the toes of a surgery on all toes, each as the first.
func tenToes(content any) (out []any) {
	for _, side := range []string{"left", "right"} {
		for digit := range 5 {
			toe := set(get(content, "surgery", "toes", 0), side, "side")
			toe = set(set(toe, fmt.Sprint(digit+1), "digit"), fmt.Sprintf("t-%s-%d", side, digit+1), "key")
			out = append(out, toe)
		}
	}
	return out
}

// step tells how far the run is, and how far a check is that takes long.
func (s *session) step(done, all int) {
	if s.o.Progress == nil {
		return
	}
	what := s.at.what
	if all > 0 {
		what += fmt.Sprintf(", %d of %d", done, all)
	}
	s.o.Progress(s.at.done, s.at.all, what)
}
