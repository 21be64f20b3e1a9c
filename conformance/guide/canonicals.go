package guide

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"nailbridge/mapping/published"
	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

// settings are all settings under which definitions are published, the one under
// which they are whole first.
var settings = []struct {
	name string
	terms.Setting
}{
	{"licensed+hcpcs", terms.Setting{SnomedCT: terms.Licensed, HCPCS: true}},
	{"licensed", terms.Setting{SnomedCT: terms.Licensed}},
	{"free-set+hcpcs", terms.Setting{SnomedCT: terms.FreeSet, HCPCS: true}},
	{"free-set", terms.Setting{SnomedCT: terms.FreeSet}},
	{"off+hcpcs", terms.Setting{SnomedCT: terms.Off, HCPCS: true}},
	{"off", terms.Setting{SnomedCT: terms.Off}},
}

// Definition is one definition of ours with what the list of the published says of
// it: a line for each form that it has, without the time.
type Definition struct {
	published.Definition // whole

	Lines []published.Line
}

// Definitions lists everything that is published now under our canonical base, by
// canonical. Profiles and extensions are as the bridge serves them, by their
// differential (R4 structuredefinition.html, sdf-6); the package adds the snapshots,
// which say the same: with them each would be another text under its version, and
// nine times as long.
func Definitions() ([]Definition, error) {
	codes, err := terms.Load()
	if err != nil {
		return nil, err
	}
	all, err := Artifacts()
	if err != nil {
		return nil, err
	}
	guide := slices.IndexFunc(all, func(a Artifact) bool { return a.ResourceType == "ImplementationGuide" })
	found := map[string]*forms{}
	for _, s := range settings {
		texts, err := own(codes, s.Setting)
		if err != nil {
			return nil, err
		}
		for _, text := range append(texts, all[guide].JSON) {
			if err := addForm(found, s.name, text); err != nil {
				return nil, err
			}
		}
	}
	var out []Definition
	for _, f := range found {
		out = append(out, Definition{f.whole, f.lines()})
	}
	slices.SortFunc(out, func(a, b Definition) int { return strings.Compare(a.Canonical(), b.Canonical()) })
	return out, nil
}

// forms are the forms of one definition: of each the settings that it has it under.
type forms struct {
	whole  published.Definition
	hashes []string
	under  map[string][]string
}

func addForm(found map[string]*forms, setting string, text []byte) error {
	d, err := published.Of(text)
	if err != nil {
		return err
	}
	if !strings.HasPrefix(d.URL, terms.CanonicalBase+"/") || d.Version == "" {
		return fmt.Errorf("guide: %s/%s has no canonical of ours with a version", d.Type, d.ID)
	}
	hash, err := Hash(text)
	if err != nil {
		return err
	}
	f := found[d.Canonical()]
	if f == nil {
		f = &forms{whole: d, under: map[string][]string{}}
		found[d.Canonical()] = f
	}
	switch {
	case f.under[hash] == nil && len(f.hashes) > 0 && d.Type != "ConceptMap":
		return fmt.Errorf("guide: %s is not the same under all settings", d.Canonical())
	case f.under[hash] == nil:
		f.hashes = append(f.hashes, hash)
	case slices.Contains(f.under[hash], setting):
		return fmt.Errorf("guide: %s is there twice", d.Canonical())
	}
	f.under[hash] = append(f.under[hash], setting)
	return nil
}

func (f *forms) lines() (out []published.Line) {
	for _, h := range f.hashes {
		form := strings.Join(f.under[h], ", ")
		if len(f.under[h]) == len(settings) {
			form = published.Any
		}
		out = append(out, published.Line{URL: f.whole.URL, Version: f.whole.Version, Form: form, SHA256: h})
	}
	slices.SortFunc(out, func(a, b published.Line) int { return cmp.Compare(a.Form, b.Form) })
	return out
}

// Hash is the SHA-256 of the canonical JSON of a definition (RFC 8785), in
// hexadecimal digits.
func Hash(text []byte) (string, error) {
	b, err := record.Canonical(text)
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:]), err
}

// Changed says which definitions say something else than when they were published
// under the same version, and what to do. Versions that the list does not have are
// new and no change.
func Changed(now []Definition, lines []published.Line) (out []string) {
	was := map[string][]published.Line{}
	for _, l := range lines {
		was[l.Canonical()] = append(was[l.Canonical()], l)
	}
	for _, c := range now {
		before := was[c.Canonical()]
		same := len(before) == 0 || slices.EqualFunc(before, c.Lines, func(a, b published.Line) bool { return a.Form == b.Form && a.SHA256 == b.SHA256 })
		if !same {
			out = append(out, fmt.Sprintf("%s says something else than when it was published: give it another version, then run `%s`", c.Canonical(), command))
		}
	}
	return out
}

// command writes down what is published.
const command = "go run ./conformance/guide/internal/publish"
