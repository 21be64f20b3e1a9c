package hub

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"time"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// statics holds the artifacts that resources point to. They come with the
// program and never change while it runs; their version id is a hash of their
// content, so that it changes exactly when they do. They are of no clinic. Their
// history is what is known of earlier versions.
type statics struct {
	store.Published
	epoch  string
	all    []artifact // by type and id
	former map[resource.Ref][]store.Version
}

type artifact struct {
	version store.Version
	rows    []searchparam.Row
}

const hashDigits = 16 // of a version id, 64 bits

func newStatics(x searchparam.Index, o Options) (*statics, error) {
	rs := slices.Clone(o.Static)
	resource.Sort(rs)
	versions, epoch, err := staticVersions(rs, o)
	if err != nil {
		return nil, err
	}
	s := &statics{epoch: epoch, former: map[resource.Ref][]store.Version{}}
	for i, v := range versions {
		rows, err := x.Rows(rs[i])
		if err != nil {
			return nil, err
		}
		s.all = append(s.all, artifact{v, append(rows, searchparam.LastUpdated(v.LastUpdated))})
	}
	return s, s.keep(o)
}

// keep takes earlier versions, and numbers those of each artifact.
func (s *statics) keep(o Options) error {
	for _, r := range o.Former {
		v, err := staticVersion(r, o)
		if err != nil {
			return fmt.Errorf("%s: %w", r.Ref(), err)
		}
		s.former[r.Ref()] = append(s.former[r.Ref()], v)
	}
	for ref, kept := range s.former {
		slices.SortStableFunc(kept, func(a, b store.Version) int { return a.LastUpdated.Compare(b.LastUpdated) })
		for i := range kept {
			kept[i].Number, kept[i].First = int64(i+1), i == 0
		}
		i := slices.IndexFunc(s.all, func(a artifact) bool { return a.version.Ref == ref })
		if i < 0 || !s.all[i].version.LastUpdated.After(kept[len(kept)-1].LastUpdated) {
			return fmt.Errorf("%w: an earlier version of %s, and no later one", ErrOptions, ref)
		}
		s.all[i].version.Number, s.all[i].version.First = int64(len(kept)+1), false
	}
	return nil
}

// staticVersions are the versions of artifacts, which are in order, and what
// names all of them.
func staticVersions(rs []resource.Resource, o Options) (out []store.Version, epoch string, err error) {
	sum := sha256.New()
	for i, r := range rs {
		if !isArtifact(r.Type()) || !idPattern.MatchString(r.ID()) {
			return nil, "", fmt.Errorf("%w: %s is no artifact", ErrOptions, r.Ref())
		}
		if i > 0 && rs[i-1].Ref() == r.Ref() {
			return nil, "", fmt.Errorf("%w: %s is there twice", ErrOptions, r.Ref())
		}
		v, err := staticVersion(r, o)
		if err != nil {
			return nil, "", fmt.Errorf("%s: %w", r.Ref(), err)
		}
		sum.Write(v.Body)
		out = append(out, v)
	}
	return out, hex.EncodeToString(sum.Sum(nil))[:hashDigits], nil
}

// staticVersion splices meta in as the store does: lastUpdated is when the
// artifact's version was published, else its own date, which R4 defines as when
// it last changed, else the release of the software that carries it.
func staticVersion(r resource.Resource, o Options) (store.Version, error) {
	hash := sha256.Sum256(r.JSON())
	v := store.Version{Ref: r.Ref(), Number: 1, VersionID: hex.EncodeToString(hash[:])[:hashDigits], First: true, LastUpdated: o.Released.UTC()}
	member := func(name string) string { text, _ := r.Tree()[name].(string); return text }
	date := member("date")
	if t, err := time.Parse(time.DateOnly, date[:min(len(date), len(time.DateOnly))]); err == nil {
		v.LastUpdated = t
	}
	if o.Published != nil {
		if t := o.Published(member("url"), member("version")); !t.IsZero() {
			v.LastUpdated = t
		}
	}
	var err error
	v.Body, err = r.Splice(v.VersionID, v.LastUpdated)
	return v, err
}

func (s *statics) find(ref resource.Ref) (store.Version, error) {
	for _, a := range s.all {
		if a.version.Ref == ref {
			return a.version, nil
		}
	}
	return store.Version{}, store.ErrNotFound
}

// Read gives the current version of an artifact.
func (s *statics) Read(ref resource.Ref) (store.Version, error) { return s.find(ref) }

// VRead gives a version by its id.
func (s *statics) VRead(ref resource.Ref, versionID string) (store.Version, error) {
	for _, v := range s.versions(ref) {
		if v.VersionID == versionID {
			return v, nil
		}
	}
	return store.Version{}, store.ErrNotFound
}

// versions are those of an artifact, the newest first.
func (s *statics) versions(ref resource.Ref) (out []store.Version) {
	current, err := s.find(ref)
	if err != nil {
		return nil
	}
	out = append(slices.Clone(s.former[ref]), current)
	slices.Reverse(out)
	for i := range out {
		out[i].Seq = out[i].Number
	}
	return out
}

// History gives the versions of one artifact, the newest first.
func (s *statics) History(q store.HistoryQuery) (store.Page, error) {
	p := store.Page{Epoch: s.epoch}
	if q.Epoch != "" && q.Epoch != s.epoch {
		return p, errOutdated("definitions")
	}
	all := s.versions(resource.Ref{Type: q.Type, ID: q.ID})
	if len(all) == 0 {
		return p, store.ErrNotFound
	}
	all = slices.DeleteFunc(all, func(v store.Version) bool { return v.LastUpdated.Before(q.Since) })
	p.Total = len(all)
	if q.After != nil {
		all = slices.DeleteFunc(all, func(v store.Version) bool { return v.Seq >= q.After.Seq })
	}
	if len(all) > q.Count {
		all, p.More = all[:q.Count], q.Count > 0
	}
	p.Versions = all
	return p, nil
}

// Search orders artifacts by lastUpdated and id, as the store orders by commit
// and id; the seconds of lastUpdated stand for the place in the order.
func (s *statics) Search(q store.Query) (store.Page, error) {
	p := store.Page{Epoch: s.epoch}
	if q.Epoch != "" && q.Epoch != s.epoch {
		return p, errOutdated("definitions")
	}
	var found []store.Version
	for _, a := range s.all {
		if a.version.Ref.Type == q.Type && a.meets(q.Match) {
			found = append(found, a.version)
		}
	}
	p.Total = len(found)
	for i := range found {
		found[i].Seq = found[i].LastUpdated.Unix()
	}
	keys := make([]store.Key, len(found))
	for i, v := range found {
		keys[i] = s.key(v, q.Sort)
	}
	slices.SortFunc(keys, func(a, b store.Key) int { return cmpKeys(q, a, b) })
	if q.After != nil {
		keys = slices.DeleteFunc(keys, func(k store.Key) bool { return cmpKeys(q, *q.After, k) >= 0 })
	}
	if len(keys) > q.Count {
		keys, p.More = keys[:q.Count], q.Count > 0
	}
	p.Keys = keys
	for _, k := range keys {
		i := slices.IndexFunc(found, func(v store.Version) bool { return v.Ref == k.Ref })
		p.Versions = append(p.Versions, found[i])
	}
	return p, nil
}

// Related gives nothing: no parameter of an artifact refers to what is stored.
func (s *statics) Related(store.Relation) ([]store.Version, bool, error) { return nil, false, nil }

// key is the place of an artifact in the order of a search.
func (s *statics) key(v store.Version, by []store.SortKey) store.Key {
	k := keyOf(v)
	i := slices.IndexFunc(s.all, func(a artifact) bool { return a.version.Ref == v.Ref })
	for _, b := range by {
		k.Sort = append(k.Sort, s.all[i].sortValue(b))
	}
	return k
}

// sortValue is the least of an artifact's values of a parameter, or the greatest.
func (a artifact) sortValue(by store.SortKey) (out store.SortValue) {
	for _, r := range a.rows {
		if r.Param != by.Param {
			continue
		}
		text := cmp.Or(r.Code, r.Text)
		if r.Kind == searchparam.Date {
			at := r.Lo
			if by.Descending {
				at = r.Hi
			}
			text = at.UTC().Format("2006-01-02T15:04:05.000000")
		}
		if out.Text == nil || by.Descending == (text > *out.Text) {
			out.Text = &text
		}
	}
	return out
}

// cmpKeys orders keys as a search asks; what has no value comes last.
func cmpKeys(q store.Query, a, b store.Key) int {
	turn := func(c int, falls bool) int {
		if falls != q.Reverse {
			return -c
		}
		return c
	}
	for i, by := range q.Sort {
		x, y := a.Sort[i].Text, b.Sort[i].Text
		switch {
		case x == nil && y == nil:
		case x == nil:
			return turn(1, false)
		case y == nil:
			return turn(-1, false)
		case *x != *y:
			return turn(cmp.Compare(*x, *y), by.Descending)
		}
	}
	return turn(cmpKey(a, b), !q.Ascending)
}

func keyOf(v store.Version) store.Key { return store.Key{Seq: v.Seq, Ref: v.Ref} }

func cmpKey(a, b store.Key) int {
	return cmp.Or(cmp.Compare(a.Seq, b.Seq), cmp.Compare(a.Ref.ID, b.Ref.ID))
}

func (a artifact) meets(match []searchparam.Condition) bool {
	for _, c := range match {
		if !c.Holds(a.rows, nil) {
			return false
		}
	}
	return true
}
