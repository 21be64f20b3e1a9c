package storetest

import (
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// related asks what stands beside the page of every plan.
func (f *fixture) related(scope store.Scope, r store.Relation) (out []string, more bool) {
	f.Helper()
	f.view(func(rd store.Reader) {
		in := rd.Within(scope)
		p, err := in.Search(store.Query{Type: "CarePlan", UpTo: r.UpTo, Count: 100})
		require.NoError(f, err)
		r.Page, r.UpTo = p.Versions, p.UpTo
		found, m, err := in.Related(r)
		require.NoError(f, err)
		for _, v := range found {
			out = append(out, v.Ref.String()+" "+v.LastUpdated.Format(time.RFC3339Nano))
		}
		more = m
	})
	return out, more
}

// R4 search.html#include: as the page stands, so does what is beside it; what is
// deleted, hidden or of another clinic is not there.
func searchRelated(f *fixture) {
	put := func(o store.Owner, content string, rows ...searchparam.Row) (at string) {
		s := f.update(func(w store.Writer) {
			_, err := w.Put(o, "case", Checked(f, content), rows)
			require.NoError(f, err)
		})
		return " " + s.LastUpdated.Format(time.RFC3339Nano)
	}
	first := put(owner, patient("a", 1), ref("link", "Patient/b"))
	put(owner, patient("b", 1), ref("link", "Patient/a"), ref("about", "CarePlan/p"))
	theirs := put(south, patient("c", 1), ref("about", "CarePlan/p"))
	put(owner, patient("gone", 1))
	put(owner, Plan("p", "one"), ref("subject", "Patient/a"), ref("subject", "Patient/c"), ref("subject", "Patient/gone"), ref("subject", "Patient/none"), ref("subject", "https://else.example/Patient/b"))
	f.update(func(w store.Writer) {
		_, err := w.Delete(owner, resource.Ref{Type: "Patient", ID: "gone"})
		require.NoError(f, err)
	})
	var head store.Stamp
	f.view(func(r store.Reader) { head = r.Head() })
	second := put(owner, patient("a", 2), ref("link", "Patient/b"), ref("link", "Patient/z"))
	put(owner, patient("z", 1))

	subjects := []searchparam.Include{{Type: "CarePlan", Param: "subject"}}
	got, more := f.related(store.Everything, store.Relation{Includes: subjects, Limit: 10})
	assert.Equal(f, []string{"Patient/a" + second, "Patient/c" + theirs}, got)
	assert.False(f, more)
	got, _ = f.related(store.Everything, store.Relation{Includes: subjects, Limit: 10, UpTo: head.Seq})
	assert.Equal(f, []string{"Patient/a" + first, "Patient/c" + theirs}, got, "under the bound of the page")
	got, _ = f.related(store.Scope{Clinics: []string{"north"}}, store.Relation{Includes: subjects, Limit: 10})
	assert.Equal(f, []string{"Patient/a" + second}, got)
	got, more = f.related(store.Everything, store.Relation{Includes: subjects, Limit: 1})
	assert.Equal(f, []string{"Patient/a" + second}, got)
	assert.True(f, more)
	got, _ = f.related(store.Everything, store.Relation{Includes: []searchparam.Include{{Type: "CarePlan", Param: "subject", Target: "Group"}}, Limit: 10})
	assert.Empty(f, got)
	// What is on the page already is not beside it, and takes no room there.
	links := []searchparam.Include{{Type: "Patient", Param: "link"}}
	f.view(func(rd store.Reader) {
		p, err := rd.Search(store.Query{Type: "Patient", Count: 3, Ascending: true})
		require.NoError(f, err)
		require.Equal(f, []string{"b", "c", "a"}, ids(p), "of which two link to each other, and one to z")
		for _, limit := range []int{1, 10} {
			found, more, err := rd.Related(store.Relation{Page: p.Versions, Includes: links, UpTo: p.UpTo, Limit: limit})
			require.NoError(f, err)
			assert.Equal(f, []string{"z.1"}, names(found))
			assert.False(f, more)
		}
	})
	about := []searchparam.Include{{Type: "Patient", Param: "about"}}
	got, _ = f.related(store.Scope{Clinics: []string{"north"}}, store.Relation{Includes: about, Reverse: true, Limit: 10})
	assert.Len(f, got, 1)
	for _, includes := range [][]searchparam.Include{about, {about[0], about[0]}, {{Type: "Patient", Param: "nothing"}, about[0]}} {
		got, more = f.related(store.Everything, store.Relation{Includes: includes, Reverse: true, Limit: 1})
		assert.Len(f, got, 1)
		assert.True(f, more)
		got, more = f.related(store.Everything, store.Relation{Includes: includes, Reverse: true, Limit: 2})
		assert.Len(f, got, 2)
		assert.False(f, more)
	}
}

// A chain goes over nothing that the scope does not show (R-SP-33).
func searchChainScope(f *fixture) {
	for _, o := range []store.Owner{owner, south} {
		f.update(func(w store.Writer) {
			_, err := w.Put(o, "case", Checked(f, patient(o.Clinic, 1)), []searchparam.Row{code("family", "", "quill")})
			require.NoError(f, err)
			_, err = w.Put(owner, "case", Checked(f, Plan("of-"+o.Clinic, "")), []searchparam.Row{ref("subject", "Patient/"+o.Clinic)})
			require.NoError(f, err)
		})
	}
	chained := searchparam.Condition{Param: "subject", Kind: searchparam.Reference, Chain: &searchparam.Chain{Type: "Patient", Of: is("family", "", "quill")}}
	assert.Equal(f, []string{"of-north", "of-south"}, f.found(chained))
	f.within(func(p store.Published) {
		page, err := p.Search(query(chained))
		require.NoError(f, err)
		assert.Equal(f, []string{"of-north"}, ids(page))
		assert.Equal(f, 1, page.Total)
		chained.Not = true
		page, err = p.Search(query(chained))
		require.NoError(f, err)
		assert.Equal(f, []string{"of-south"}, ids(page), "as if there were no such patient")
	}, "north")
}

// R4 compartmentdefinition.html: what refers to one resource by one of some
// parameters, of one type or of each.
func searchCompartment(f *fixture) {
	f.putOne(Plan("a", ""), ref("subject", "Patient/p"))
	f.putOne(Plan("b", ""), ref("performer", "Patient/p"), ref("subject", "Patient/p"))
	f.putOne(Plan("c", ""), ref("other", "Patient/p"), ref("subject", "Patient/q"))
	f.putOne(patient("d", 1), ref("link", "Patient/p"))
	of := &store.Compartment{Of: resource.Ref{Type: "Patient", ID: "p"}, Params: []string{"CarePlan.subject", "CarePlan.performer", "Patient.link"}}
	for typ, want := range map[string][]string{"CarePlan": {"a", "b"}, "Patient": {"d"}, "": {"a", "b", "d"}} {
		p := f.search(store.Query{Type: typ, Compartment: of, Ascending: true, Count: 10})
		assert.Equal(f, want, ids(p), typ)
		assert.Equal(f, len(want), p.Total)
	}
	f.update(func(w store.Writer) { // two of one id in one commit
		f.put(w, Plan("e", ""), ref("subject", "Patient/p"))
		f.put(w, patient("e", 2), ref("link", "Patient/p"))
	})
	var walked []string
	for q := (store.Query{Compartment: of, Ascending: true, Count: 1}); ; {
		p := f.search(q)
		walked = append(walked, p.Versions[0].Ref.String())
		if !p.More {
			break
		}
		q.After, q.UpTo = &p.Keys[0], p.UpTo
	}
	assert.Equal(f, []string{"CarePlan/a", "CarePlan/b", "Patient/d", "CarePlan/e", "Patient/e"}, walked)
	of.Params = of.Params[:2]
	q := store.Query{Compartment: of, Ascending: true, Count: 2}
	first := f.search(q)
	require.True(f, first.More)
	q.After, q.UpTo = &first.Keys[1], first.UpTo
	assert.Equal(f, []string{"e"}, ids(f.search(q)))
	assert.Equal(f, []string{"b"}, ids(f.search(store.Query{Compartment: of, Match: []searchparam.Condition{is("_id", "", "b")}, Count: 10})))
	f.view(func(r store.Reader) {
		_, err := r.Search(store.Query{Compartment: of, Match: []searchparam.Condition{is("status", "", "x")}, Count: 10})
		assert.Error(f, err, "a parameter of one type, asked of several")
	})
}

// R4 CompartmentDefinition/patient: the records of one who is linked to a patient,
// by the bound of the walk, are in the compartment of the target of the link.
func searchLinked(f *fixture) {
	f.putOne(patient("p", 1))
	f.putOne(patient("q", 1))
	first := f.putOne(Plan("a", ""), ref("subject", "Patient/p"))
	f.putOne(Plan("b", ""), ref("subject", "Patient/q"))
	f.putOne(Plan("c", ""), ref("subject", "Patient/r"))
	f.putOne(Plan("d", ""), ref("subject", "Patient/s"))
	of := func(id string) store.Query {
		return store.Query{Type: "CarePlan", Ascending: true, Count: 10, Compartment: &store.Compartment{
			Of: resource.Ref{Type: "Patient", ID: id}, Params: []string{"CarePlan.subject", "Patient.link"}, Link: "Patient.link",
		}}
	}
	assert.Equal(f, []string{"a"}, ids(f.search(of("p"))))
	before := f.putOne(patient("q", 2), ref("link", "Patient/p"))
	f.putOne(patient("r", 1), ref("link", "Patient/q"), ref("link", "Patient/r")) // round and round
	assert.Equal(f, []string{"a", "b", "c"}, ids(f.search(of("p"))), "over two links")
	assert.Equal(f, []string{"b", "c"}, ids(f.search(of("q"))), "not against the link")
	then := of("p")
	then.UpTo = before.Seq
	assert.Equal(f, []string{"a", "b"}, ids(f.search(then)))
	then.UpTo = first.Seq
	assert.Equal(f, []string{"a"}, ids(f.search(then)))
	whole := of("p")
	whole.Type = ""
	assert.Equal(f, []string{"a", "b", "c", "q", "r"}, ids(f.search(whole)))
	f.putOne(patient("q", 3)) // linked no more
	assert.Equal(f, []string{"a"}, ids(f.search(of("p"))))
	f.putOne(patient("s", 1), ref("link", "Patient/p"))
	f.update(func(w store.Writer) {
		_, err := w.Delete(owner, resource.Ref{Type: "Patient", ID: "s"})
		require.NoError(f, err)
	})
	assert.Equal(f, []string{"a"}, ids(f.search(of("p"))), "what is gone links nothing")
}
