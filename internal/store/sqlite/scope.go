package sqlite

import (
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// published is what a snapshot shows within a scope.
type published struct {
	*snapshot
	scope store.Scope
}

// Within gives what is published of the clinics of a scope.
func (s *snapshot) Within(scope store.Scope) store.Published { return published{s, scope} }

func (s *snapshot) all() published { return published{s, store.Everything} }

// Read is that of Within(Everything), as are the next four.
func (s *snapshot) Read(ref resource.Ref) (store.Version, error) { return s.all().Read(ref) }

// VRead gives one version.
func (s *snapshot) VRead(ref resource.Ref, id string) (store.Version, error) {
	return s.all().VRead(ref, id)
}

// Search answers one page of a search.
func (s *snapshot) Search(q store.Query) (store.Page, error) { return s.all().Search(q) }

// Related gives what stands beside a page.
func (s *snapshot) Related(r store.Relation) ([]store.Version, bool, error) {
	return s.all().Related(r)
}

// History answers one page of a history.
func (s *snapshot) History(q store.HistoryQuery) (store.Page, error) { return s.all().History(q) }

// within holds where the clinic that an SQL expression gives is in the scope.
func (s published) within(clinic string) clause {
	if s.scope.Everything {
		return clause{sql: "1"}
	}
	c := clause{sql: clinic + " IN (" + marks(len(s.scope.Clinics)) + ")"}
	for _, name := range s.scope.Clinics {
		c.args = append(c.args, name)
	}
	return c
}

// ofClinic is the clinic of a version, for within.
const ofClinic = "(SELECT owner.clinic FROM resource owner WHERE owner.rid = v.rid)"

// restrict adds the scope to a plan.
func (s published) restrict(p plan) plan {
	if !s.scope.Everything {
		p.where = append(p.where, s.within(ofClinic))
	}
	return p
}
