package terms

import (
	"bytes"
	"embed"
	"encoding/json"
	"fmt"
	"io/fs"
	"slices"
	"strings"
)

//go:embed data
var files embed.FS

// Licence classes of an entry.
const (
	licenceFree      = "free"      // in SNOMED International's CC BY sets
	licenceAffiliate = "affiliate" // needs a SNOMED CT affiliate licence
)

// entry is one code of another system that may leave, with its evidence.
type entry struct {
	Code        string `json:"code"`
	Display     string `json:"display"`
	SemanticTag string `json:"semanticTag"`
	Confidence  string `json:"confidence"`
	Licence     string `json:"licence"`
	Evidence    string `json:"evidence"`
}

// use says which FHIR element a code system, or a map over one, is used for.
type use struct {
	Name    string `json:"name"`
	Map     string `json:"map"`    // id of the ConceptMap, empty for none
	Source  string `json:"source"` // id of the CodeSystem
	Element string `json:"element"`
	Bound   bool   `json:"bound"` // no local coding may stand there (D5.7)
}

// element is a fixed concept: codings and text, or a local code as source.
type element struct {
	Name    string   `json:"name"`
	Element string   `json:"element"`
	Source  string   `json:"source"` // "<code system>#<code>"
	Text    string   `json:"text"`
	Codings []Coding `json:"codings"`
}

// Load parses the embedded data and checks that it holds together: ids and
// URLs agree, every code is listed, every code of another system has its
// evidence with the same display and a right check digit, semantic tags fit
// their elements (D7.4). The error names the file.
func Load() (*Terms, error) { return load(files) }

// LoadFrom is Load for code maps that were edited: fsys holds their folder
// under the name data.
func LoadFrom(fsys fs.FS) (*Terms, error) { return load(fsys) }

// MustLoad is Load for program start; it panics on an error, which a test of
// this package would have shown.
func MustLoad() *Terms {
	t, err := Load()
	if err != nil {
		panic("terms: " + err.Error())
	}
	return t
}

func load(fsys fs.FS) (*Terms, error) {
	t := &Terms{
		systems: map[string]*codeSystem{}, maps: map[string]*conceptMap{}, extensions: map[string]*structureDefinition{},
		uses: map[string]use{}, unpub: map[string]string{}, elements: map[string]element{},
		evidence: map[string]map[string]entry{}, index: map[string]map[string]target{}, confirmable: map[string]entry{},
	}
	var err error
	if t.hash, err = hashOf(fsys); err != nil {
		return nil, err
	}
	for _, step := range []func(fs.FS) error{
		t.loadEvidence, t.loadConfirmable, t.loadSystems, t.loadMaps, t.loadExtensions, t.loadUses, t.loadElements,
	} {
		if err := step(fsys); err != nil {
			return nil, err
		}
	}
	return t, nil
}

// decode reads one file strictly: an unknown member is an error, so that what
// is written in the data is never lost when it is served.
func decode(fsys fs.FS, path string, v any) error {
	b, err := fs.ReadFile(fsys, path)
	if err != nil {
		return err
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(v); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}

// eachFile calls f with each JSON file of a folder, by name.
func eachFile(fsys fs.FS, dir string, f func(path, id string) error) error {
	names, err := fs.Glob(fsys, "data/"+dir+"/*.json")
	if err != nil {
		return err
	}
	slices.Sort(names)
	for _, n := range names {
		id := strings.TrimSuffix(n[strings.LastIndex(n, "/")+1:], ".json")
		if err := f(n, id); err != nil {
			return err
		}
	}
	return nil
}

func (t *Terms) loadEvidence(fsys fs.FS) error {
	return eachFile(fsys, "evidence", func(path, _ string) error {
		tables, err := loadTables(fsys, path)
		if err != nil {
			return err
		}
		for system, m := range tables {
			if t.evidence[system] != nil {
				return fmt.Errorf("%s: second table of %s", path, system)
			}
			t.evidence[system] = m
		}
		return nil
	})
}

// loadTables reads tables of codes with their evidence, by system and code.
func loadTables(fsys fs.FS, path string) (map[string]map[string]entry, error) {
	var file struct {
		Tables []struct {
			System  string  `json:"system"`
			Entries []entry `json:"entries"`
		} `json:"tables"`
	}
	if err := decode(fsys, path, &file); err != nil {
		return nil, err
	}
	out := map[string]map[string]entry{}
	for _, tb := range file.Tables {
		if out[tb.System] != nil {
			return nil, fmt.Errorf("%s: second table of %s", path, tb.System)
		}
		m := map[string]entry{}
		for _, e := range tb.Entries {
			if _, ok := m[e.Code]; ok || e.Code == "" || e.Display == "" || e.Licence == "" || e.Evidence == "" {
				return nil, fmt.Errorf("%s: %s|%s is incomplete or stands twice", path, tb.System, e.Code)
			}
			if err := CheckDigit(tb.System, e.Code); err != nil {
				return nil, fmt.Errorf("%s: %w", path, err)
			}
			m[e.Code] = e
		}
		out[tb.System] = m
	}
	return out, nil
}

// loadConfirmable reads the SNOMED CT rows that a deployment may confirm (D7.2).
// None of them leaves by itself.
func (t *Terms) loadConfirmable(fsys fs.FS) error {
	const path = "data/confirmable.json"
	tables, err := loadTables(fsys, path)
	if err != nil {
		return err
	}
	for code := range tables[SNOMEDCT] {
		if _, leaves := t.evidence[SNOMEDCT][code]; leaves {
			return fmt.Errorf("%s: %s leaves without being confirmed", path, code)
		}
	}
	t.confirmable = tables[SNOMEDCT]
	return nil
}

func (t *Terms) loadSystems(fsys fs.FS) error {
	return eachFile(fsys, "codesystem", func(path, id string) error {
		cs := &codeSystem{}
		if err := decode(fsys, path, cs); err != nil {
			return err
		}
		if err := cs.check(id); err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
		t.systems[id] = cs
		return nil
	})
}

func (t *Terms) loadMaps(fsys fs.FS) error {
	return eachFile(fsys, "conceptmap", func(path, id string) error {
		cm := &conceptMap{}
		if err := decode(fsys, path, cm); err != nil {
			return err
		}
		if err := t.checkMap(cm, id); err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
		t.maps[id] = cm
		return nil
	})
}

// loadUses reads uses.json and builds the index that Translate reads.
func (t *Terms) loadUses(fsys fs.FS) error {
	const path = "data/uses.json"
	var file struct {
		Uses        []use `json:"uses"`
		Unpublished []struct {
			Set    string `json:"set"`
			Reason string `json:"reason"`
		} `json:"unpublished"`
		SemanticTags map[string][]string `json:"semanticTags"`
	}
	if err := decode(fsys, path, &file); err != nil {
		return err
	}
	t.tags = file.SemanticTags
	for _, u := range file.Unpublished {
		t.unpub[u.Set] = u.Reason
	}
	for _, u := range file.Uses {
		if _, twice := t.uses[u.Name]; twice {
			return fmt.Errorf("%s: %s stands twice", path, u.Name)
		}
		if err := t.indexUse(u); err != nil {
			return fmt.Errorf("%s: %s: %w", path, u.Name, err)
		}
		t.uses[u.Name] = u
	}
	return nil
}

func (t *Terms) indexUse(u use) error {
	cs := t.systems[u.Source]
	if cs == nil {
		return fmt.Errorf("no code system %s", u.Source)
	}
	m := map[string]target{}
	for _, c := range cs.Concept {
		m[c.Code] = target{local: Coding{cs.URL, c.Code, c.Display}}
	}
	if u.Map != "" {
		cm := t.maps[u.Map]
		if cm == nil {
			return fmt.Errorf("no map %s", u.Map)
		}
		for _, g := range cm.Group {
			if g.Source != cs.URL {
				return fmt.Errorf("map %s is over %s", u.Map, g.Source)
			}
			for _, e := range g.Element {
				var list []Coding
				for _, x := range e.Target {
					c := Coding{g.Target, x.Code, x.Display}
					if err := t.checkTag(u.Element, c); err != nil {
						return err
					}
					list = append(list, c)
				}
				tg := m[e.Code]
				tg.standard = append(tg.standard, list)
				m[e.Code] = tg
			}
		}
	}
	t.index[u.Name] = m
	return nil
}

func (t *Terms) loadElements(fsys fs.FS) error {
	const path = "data/elements.json"
	var file struct {
		Elements []element `json:"elements"`
	}
	if err := decode(fsys, path, &file); err != nil {
		return err
	}
	for _, e := range file.Elements {
		if _, twice := t.elements[e.Name]; twice {
			return fmt.Errorf("%s: %s stands twice", path, e.Name)
		}
		if err := t.checkElement(e); err != nil {
			return fmt.Errorf("%s: %s: %w", path, e.Name, err)
		}
		t.elements[e.Name] = e
	}
	return nil
}

func (t *Terms) checkElement(e element) error {
	if e.Source != "" {
		set, code, _ := strings.Cut(e.Source, "#")
		if _, ok := t.index[set][code]; !ok {
			return fmt.Errorf("no local code %s", e.Source)
		}
		return nil
	}
	if e.Text == "" {
		return fmt.Errorf("no text")
	}
	for _, c := range e.Codings {
		if err := t.Check(c.System, c.Code, c.Display); err != nil {
			return err
		}
		if err := t.checkTag(e.Element, c); err != nil {
			return err
		}
	}
	return nil
}

func (t *Terms) loadExtensions(fsys fs.FS) error {
	return eachFile(fsys, "extension", func(path, id string) error {
		sd := &structureDefinition{}
		if err := decode(fsys, path, sd); err != nil {
			return err
		}
		if sd.ResourceType != "StructureDefinition" || sd.ID != id || sd.URL != CanonicalBase+"/StructureDefinition/"+id {
			return fmt.Errorf("%s: resourceType, id or url does not fit the name", path)
		}
		t.extensions[id] = sd
		return nil
	})
}
