package safety

import (
	"embed"
	"fmt"
	"io/fs"
	"math/big"
	"path"
	"sort"
	"strings"

	"nailbridge/mapping/record"
)

// Formulary is one set of dose limits: of one regulator or one guideline,
// never merged with another (C-16).
type Formulary struct {
	Name         string // kebab-case, as chosen in the settings
	Title        string // as shown beside every figure
	Issuer       string
	Kind         string // "regulator", "guideline" or "local"
	Jurisdiction string // ISO 3166-1 alpha-2, where the set belongs to a country
	Route        string // by which the limits hold, in words
	Population   string // for whom, in words
	ReadIn       string // where the source was read
	Date         string // of the source or of the clinic's file, YYYY, YYYY-MM or YYYY-MM-DD; "": not known
	DateNote     string // why no date is known
	// ApprovedBy says who at the clinic approved its own file; "" for a set of the
	// product.
	ApprovedBy string
	// WeightCapKg, where set, is the greatest weight that the set multiplies
	// (C-7 b); nil: the weight as recorded.
	WeightCapKg *big.Rat
	Entries     []Limit
	Ages        []AgeRule
	// Adrenaline, where set, is the set's ceiling per visit (C-5).
	Adrenaline *AdrenalineLimit
}

// Limit is the limit of one agent, plain or with a vasoconstrictor, for an age
// band. Of MgPerKg, CeilingMg and Per24hMg at least one is set. Where Per24hMg
// stands alone, it is the limit.
type Limit struct {
	Agent           record.Code // of record.AnaestheticSet
	Vasoconstrictor bool
	FromYears       int      // ages from this, in completed years
	ToYears         *int     // up to but not including this; nil: no end
	MgPerKg         *big.Rat // mg/kg
	CeilingMg       *big.Rat // mg, absolute
	// WithinHours says that both hold in any so many hours; 0: over the visit and
	// the 24 h before it.
	WithinHours int
	Per24hMg    *big.Rat // mg in 24 h
	// IntervalMinutes is the least time to another sitting with the agent; 0: none
	// is known.
	IntervalMinutes int
	Note            string // about the figure, shown with it
	Source          string
	Section         string // number of the clinical fact
	Tag             Tag
}

// AgeRule says that an agent is not advised under an age, in years.
type AgeRule struct {
	Agent     record.Code
	FromYears int
	Source    string
	Section   string
	Tag       Tag
}

// AdrenalineLimit is a set's ceiling of adrenaline per visit, in ug.
type AdrenalineLimit struct {
	Ug        *big.Rat
	CardiacUg *big.Rat // with significant cardiac disease; nil: Ug
	Source    string
	Section   string
	Tag       Tag
}

//go:embed formulary/*.json
var files embed.FS

// Names lists the sets of the product, sorted.
func Names() []string {
	found, err := fs.Glob(files, "formulary/*.json")
	if err != nil {
		return nil
	}
	for i, f := range found {
		found[i] = strings.TrimSuffix(path.Base(f), ".json")
	}
	sort.Strings(found)
	return found
}

// Named is the title of the set with what a clinic's own file must be known by:
// its date and who approved it.
func (f *Formulary) Named() string {
	if a := f.approval(); a != "" {
		return f.Title + " (" + a + ")"
	}
	return f.Title
}

// approval is the date of a clinic's own file and who approved it, in words; ""
// for a set of the product.
func (f *Formulary) approval() string {
	if f.ApprovedBy == "" {
		return ""
	}
	return "of " + f.Date + ", approved by " + f.ApprovedBy
}

// Load gives a set of the product by name. There is no default set.
func Load(name string) (*Formulary, error) {
	for _, n := range Names() {
		if n != name {
			continue
		}
		b, err := files.ReadFile("formulary/" + n + ".json")
		if err != nil {
			return nil, fmt.Errorf("formulary %s: %w", n, err)
		}
		f, err := parse(b, true)
		if err != nil {
			return nil, fmt.Errorf("formulary %s: %w", n, err)
		}
		if f.Name != n {
			return nil, fmt.Errorf("formulary %s: the file names the set %q", n, f.Name)
		}
		return f, nil
	}
	return nil, fmt.Errorf("no formulary named %q; the sets are %s", name, strings.Join(Names(), ", "))
}

// find gives the limit for an agent, kind and age. An age under the youngest
// band gives that band with child true: a child's limit is never derived from
// it, yet a dose over it is over any (C-21). A nil age takes the oldest band.
func (f *Formulary) find(agent record.Code, vasoconstrictor bool, age *int) (l *Limit, child bool) {
	for i := range f.Entries {
		e := &f.Entries[i]
		switch {
		case e.Agent != agent || e.Vasoconstrictor != vasoconstrictor:
		case age == nil:
			if l == nil || e.FromYears > l.FromYears {
				l = e
			}
		case *age < e.FromYears:
			if l == nil || e.FromYears < l.FromYears {
				l, child = e, true
			}
		case e.ToYears == nil || *age < *e.ToYears:
			return e, false
		}
	}
	return l, child
}
