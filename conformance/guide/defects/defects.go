// Package defects sows the battery of the guide: for each constraint of each profile a valid example with one change, under
// the profile, where it must be found, and under the profile without that constraint, where it must not.
//
// It is an aid of tests, and of conformance/agreement.
package defects

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"nailbridge/mapping/profiles"
	"nailbridge/mapping/terms"
)

// Defect is one line of the battery: a valid example with one change, which breaks one constraint of a profile.
type Defect struct {
	Profile, Constraint string // the id of the profile; element#member
	Example             string
	Patch               []Operation
}

// Operation is one of JSON Patch (RFC 6902): add, remove or replace.
type Operation struct {
	Op, Path string
	Value    any
}

// Sown is the battery as documents, those of a line at the same place in Full, Less and Variants.
type Sown struct {
	Defects []Defect
	Full    [][]byte // under the profile
	Less    [][]byte // under the profile without the constraint
	// Variants are the profiles without one constraint, as definitions.
	Variants [][]byte
}

// Read reads the lines of the battery from the folder of the guide.
func Read(guide string) (out []Defect, err error) {
	text, err := os.ReadFile(filepath.Join(guide, "testdata", "battery.tsv"))
	if err != nil {
		return nil, err
	}
	for line := range strings.Lines(string(text)) {
		if line[0] == '#' {
			continue
		}
		f := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		if len(f) != 4 {
			return nil, fmt.Errorf("a line has 4 columns, not %d: %q", len(f), line)
		}
		d := Defect{Profile: f[0], Constraint: f[1], Example: f[2]}
		if err := json.Unmarshal([]byte(f[3]), &d.Patch); err != nil {
			return nil, fmt.Errorf("%s: %w", d.Constraint, err)
		}
		out = append(out, d)
	}
	return out, nil
}

// Sow reads the battery and makes its documents.
func Sow(guide string) (out Sown, err error) {
	if out.Defects, err = Read(guide); err != nil {
		return Sown{}, err
	}
	byID := map[string]terms.Artifact{}
	for _, a := range profiles.Artifacts() {
		byID[a.ID] = a
	}
	for i, d := range out.Defects {
		a := byID[d.Profile]
		url, definition, err := without(a, d.Constraint, i+1)
		if err != nil {
			return Sown{}, err
		}
		out.Variants = append(out.Variants, definition)
		for claim, into := range map[string]*[][]byte{a.URL: &out.Full, url: &out.Less} {
			text, err := d.sow(guide, claim)
			if err != nil {
				return Sown{}, fmt.Errorf("%s: %w", d.Constraint, err)
			}
			*into = append(*into, text)
		}
	}
	return out, nil
}

// sow gives the example with its change, claiming a profile alone.
func (d Defect) sow(guide, claim string) ([]byte, error) {
	example, err := ReadExample(guide, d.Example)
	if err != nil {
		return nil, err
	}
	var tree any = example
	for _, o := range d.Patch {
		if tree, err = o.apply(tree, strings.Split(o.Path, "/")[1:]); err != nil {
			return nil, fmt.Errorf("%s: %w", o.Path, err)
		}
	}
	tree.(map[string]any)["meta"] = map[string]any{"profile": []any{claim}}
	return json.Marshal(tree)
}

// ReadExample reads one of the guide's examples, with numbers as they are written.
func ReadExample(guide, name string) (tree map[string]any, err error) {
	text, err := os.ReadFile(filepath.Join(guide, "examples", name))
	if err != nil {
		return nil, err
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber()
	err = d.Decode(&tree)
	return tree, err
}

// apply changes a tree at a pointer (RFC 6901) and gives it back.
func (o Operation) apply(v any, at []string) (any, error) {
	key := at[0]
	switch v := v.(type) {
	case map[string]any:
		if len(at) > 1 {
			below, err := o.apply(v[key], at[1:])
			v[key] = below
			return v, err
		}
		if _, has := v[key]; has == (o.Op == "add") {
			return v, fmt.Errorf("%s of what is there or is not", o.Op)
		}
		if o.Op == "remove" {
			delete(v, key)
		} else {
			v[key] = o.Value
		}
		return v, nil
	case []any:
		if key == "-" && o.Op == "add" {
			return append(v, o.Value), nil
		}
		i, err := strconv.Atoi(key)
		if err != nil || i >= len(v) {
			return v, fmt.Errorf("no item %s", key)
		}
		switch {
		case len(at) > 1:
			v[i], err = o.apply(v[i], at[1:])
		case o.Op == "remove":
			v = slices.Delete(v, i, i+1)
		default:
			v[i] = o.Value
		}
		return v, err
	}
	return v, fmt.Errorf("nothing at %s", key)
}

// without is a profile that lacks one constraint, under a canonical of its own.
func without(a terms.Artifact, constraint string, n int) (url string, definition []byte, err error) {
	id, member, _ := strings.Cut(constraint, "#")
	var tree map[string]any
	if err := json.Unmarshal(a.JSON, &tree); err != nil {
		return "", nil, fmt.Errorf("the profile of %s: %w", constraint, err)
	}
	dropped := 0
	for _, e := range tree["differential"].(map[string]any)["element"].([]any) {
		e := e.(map[string]any)
		if _, has := e[member]; has && e["id"] == id {
			delete(e, member)
			dropped++
		}
	}
	if dropped != 1 {
		return "", nil, fmt.Errorf("%s stands %d times in its profile", constraint, dropped)
	}
	tree["id"] = fmt.Sprintf("%s-without-%d", a.ID, n)
	url = terms.CanonicalBase + "/StructureDefinition/" + tree["id"].(string)
	tree["url"] = url
	definition, err = json.Marshal(tree)
	return url, definition, err
}
