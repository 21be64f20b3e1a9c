package hub

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// statics holds the artifacts that resources point to. They come with the
// program and never change while it runs; their version id is a hash of their
// content, so that it changes exactly when they do. They are of no clinic, and
// have no history.
type statics struct {
	store.Published
	epoch string
	all   []artifact // by type and id
}

type artifact struct {
	version store.Version
	rows    []searchparam.Row
}

const hashDigits = 16 // of a version id, 64 bits

func newStatics(x searchparam.Index, rs []resource.Resource, released time.Time) (*statics, error) {
	s := &statics{}
	sum := sha256.New()
	rs = slices.Clone(rs)
	resource.Sort(rs)
	for i, r := range rs {
		if !isArtifact(r.Type()) || !idPattern.MatchString(r.ID()) {
			return nil, fmt.Errorf("%w: %s is no artifact", ErrOptions, r.Ref())
		}
		if i > 0 && rs[i-1].Ref() == r.Ref() {
			return nil, fmt.Errorf("%w: %s is there twice", ErrOptions, r.Ref())
		}
		v, err := staticVersion(r, released)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", r.Ref(), err)
		}
		sum.Write(v.Body)
		rows, err := x.Rows(r)
		if err != nil {
			return nil, err
		}
		s.all = append(s.all, artifact{v, append(rows, searchparam.LastUpdated(v.LastUpdated))})
	}
	s.epoch = hex.EncodeToString(sum.Sum(nil))[:hashDigits]
	return s, nil
}

// staticVersion splices meta in as the store does: lastUpdated is the
// artifact's own date, which R4 defines as when it last changed, else the
// release of the software that carries it.
func staticVersion(r resource.Resource, released time.Time) (store.Version, error) {
	hash := sha256.Sum256(r.JSON())
	v := store.Version{Ref: r.Ref(), Number: 1, VersionID: hex.EncodeToString(hash[:])[:hashDigits], First: true, LastUpdated: released.UTC()}
	date, _ := r.Tree()["date"].(string)
	if t, err := time.Parse(time.DateOnly, date[:min(len(date), len(time.DateOnly))]); err == nil {
		v.LastUpdated = t
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

// Read gives the one version of an artifact.
func (s *statics) Read(ref resource.Ref) (store.Version, error) { return s.find(ref) }

// VRead gives that version by its id.
func (s *statics) VRead(ref resource.Ref, versionID string) (store.Version, error) {
	v, err := s.find(ref)
	if err == nil && v.VersionID != versionID {
		return store.Version{}, store.ErrNotFound
	}
	return v, err
}

// Search orders artifacts by lastUpdated and id, as the store orders by commit
// and id; the seconds of lastUpdated stand for the place in the order.
func (s *statics) Search(q store.Query) (store.Page, error) {
	p := store.Page{Epoch: s.epoch}
	if q.Epoch != "" && q.Epoch != s.epoch {
		return p, store.ErrEpoch
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
	before := func(a, b store.Key) bool {
		c := cmpKey(a, b)
		return c < 0 && q.Ascending || c > 0 && !q.Ascending
	}
	slices.SortFunc(found, func(a, b store.Version) int {
		if q.Ascending {
			return cmpKey(keyOf(a), keyOf(b))
		}
		return cmpKey(keyOf(b), keyOf(a))
	})
	if q.After != nil {
		found = slices.DeleteFunc(found, func(v store.Version) bool { return !before(*q.After, keyOf(v)) })
	}
	if len(found) > q.Count {
		found, p.More = found[:q.Count], q.Count > 0
	}
	p.Versions = found
	return p, nil
}

func keyOf(v store.Version) store.Key { return store.Key{Seq: v.Seq, Ref: v.Ref} }

func cmpKey(a, b store.Key) int {
	if a.Seq != b.Seq {
		if a.Seq < b.Seq {
			return -1
		}
		return 1
	}
	return strings.Compare(a.Ref.ID, b.Ref.ID)
}

func (a artifact) meets(match []searchparam.Condition) bool {
	for _, c := range match {
		if !c.Holds(a.rows, nil) {
			return false
		}
	}
	return true
}
