package mapping_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"nailbridge/mapping"
	"nailbridge/mapping/resource"
)

// effects are the FHIR paths at which two folds differ: "Type.element.path"
// without indexes. A Coding is one value, as is a Quantity; the text of an
// element counts only where nothing else of it differs. A resource that is there
// in one fold alone is its bare Type, and an activity or component its list. Where an id changed, "Type.id" stands for
// it and for every reference to it. The narrative does not count.
func effects(before, after mapping.Result) []string {
	out := map[string]bool{}
	old, now := byRef(before), byRef(after)
	renamed := map[string]string{}
	for _, pair := range pairs(missing(old, now), missing(now, old)) {
		renamed[pair[0].Ref().String()] = pair[1].Ref().String()
		out[pair[0].Type()+".id"] = true
	}
	for ref, r := range old {
		as := ref.String()
		if n, ok := renamed[as]; ok {
			as = n
		}
		to, ok := now[mustRef(as)]
		if !ok {
			out[ref.Type] = true
			continue
		}
		delete(now, to.Ref())
		if len(renamed) == 0 && bytes.Equal(r.JSON(), to.JSON()) {
			continue
		}
		for _, p := range differ(values(r, renamed), values(to, nil)) {
			out[ref.Type+p] = true
		}
	}
	for ref := range now {
		out[ref.Type] = true
	}
	return slices.Sorted(maps.Keys(out))
}

func byRef(res mapping.Result) map[resource.Ref]resource.Resource {
	out := map[resource.Ref]resource.Resource{}
	for _, r := range res.Resources {
		out[r.Ref()] = r
	}
	return out
}

func mustRef(s string) resource.Ref {
	ref, _ := resource.ParseRef(s)
	return ref
}

// missing are the resources of one fold whose id the other has not.
func missing(of, in map[resource.Ref]resource.Resource) []resource.Resource {
	var out []resource.Resource
	for ref, r := range of {
		if _, ok := in[ref]; !ok {
			out = append(out, r)
		}
	}
	slices.SortFunc(out, func(a, b resource.Resource) int { return strings.Compare(masked(a), masked(b)) })
	return out
}

var anyID = regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}`)

func masked(r resource.Resource) string { return anyID.ReplaceAllString(string(r.JSON()), "id") }

// pairs are resources of one type that are the same thing under another id:
// those most alike, as long as more of them is alike than not.
func pairs(old, now []resource.Resource) [][2]resource.Resource {
	var out [][2]resource.Resource
	for _, r := range old {
		best, most := -1, 0.5
		for i, n := range now {
			if n.Type() != r.Type() {
				continue
			}
			if a := alike(r, n); a > most {
				best, most = i, a
			}
		}
		if best >= 0 {
			out = append(out, [2]resource.Resource{r, now[best]})
			now = slices.Delete(now, best, best+1)
		}
	}
	return out
}

// alike is the share of the values that two resources have in common.
func alike(a, b resource.Resource) float64 {
	x, y := maskedValues(a), maskedValues(b)
	same, all := 0, len(x)
	for p, v := range x {
		if y[p] == v {
			same++
		}
	}
	for p := range y {
		if _, ok := x[p]; !ok {
			all++
		}
	}
	return float64(same) / float64(max(1, all))
}

// maskedValues leaves out ids, and what every resource of a type claims.
func maskedValues(r resource.Resource) map[string]string {
	out := map[string]string{}
	for p, v := range values(r, nil) {
		if p == ".meta.profile" {
			continue
		}
		out[p] = anyID.ReplaceAllString(strings.Join(v, "\n"), "id")
	}
	return out
}

// values lists what a resource holds by path, references renamed.
func values(r resource.Resource, renamed map[string]string) map[string][]string {
	out := map[string][]string{}
	tree := maps.Clone(r.Tree())
	delete(tree, "text")
	delete(tree, "id")
	delete(tree, "resourceType")
	if r.Type() == "Composition" {
		delete(tree, "section") // gathers what stands elsewhere; TestLetterNamesWhatWasDone holds it
	}
	flatten(tree, "", renamed, out)
	for _, v := range out {
		slices.Sort(v)
	}
	return out
}

func flatten(v any, path string, renamed map[string]string, out map[string][]string) {
	switch v := v.(type) {
	case map[string]any:
		if _, narrative := v["div"]; narrative {
			return // of a section of the letter
		}
		if whole(v) {
			b, _ := json.Marshal(v)
			out[path] = append(out[path], string(b))
			return
		}
		for k, e := range v {
			if k == "url" && strings.HasSuffix(path, "]") {
				continue // in the path
			}
			flatten(e, path+"."+strings.TrimPrefix(k, "_"), renamed, out)
		}
	case []any:
		for _, e := range v {
			flatten(e, itemPath(path, e), renamed, out)
		}
	default:
		s := fmt.Sprint(v)
		if n, ok := renamed[s]; ok {
			s = n
		}
		out[path] = append(out[path], s)
	}
}

// itemPath is the path of an item of a list: of an extension with the end of its
// url; of what has a name of its own, an activity or a component, with that name
// in braces, so that the same one is compared.
func itemPath(path string, item any) string {
	m, ok := item.(map[string]any)
	switch {
	case !ok:
		return path
	case strings.HasSuffix(path, ".extension"):
		url, _ := m["url"].(string)
		return path + "[" + url[strings.LastIndex(url, "/")+1:] + "]"
	case strings.HasSuffix(path, ".activity"):
		return fmt.Sprintf("%s{%v}", path, m["id"])
	case strings.HasSuffix(path, ".component"):
		return fmt.Sprintf("%s{%v}", path, m["code"])
	}
	return path
}

// whole reports a Coding or a Quantity.
func whole(m map[string]any) bool {
	_, code := m["code"].(string)
	_, system := m["system"].(string)
	return code && system
}

// differ lists the paths at which two resources differ.
func differ(a, b map[string][]string) []string {
	there := func(in map[string][]string, item string) bool {
		for p := range in {
			if strings.HasPrefix(p, item) {
				return true
			}
		}
		return false
	}
	found := map[string]bool{}
	for _, p := range slices.Concat(slices.Collect(maps.Keys(a)), slices.Collect(maps.Keys(b))) {
		if slices.Equal(a[p], b[p]) {
			continue
		}
		list, rest, named := strings.Cut(p, "{")
		name, rest, _ := strings.Cut(rest, "}")
		switch {
		case !named:
			found[p] = true
		case there(a, list+"{"+name+"}") && there(b, list+"{"+name+"}"):
			found[list+rest] = true
		default:
			found[list] = true
		}
	}
	out := slices.Collect(maps.Keys(found))
	return slices.DeleteFunc(out, func(p string) bool {
		whole, isText := strings.CutSuffix(p, ".text")
		return isText && slices.ContainsFunc(out, func(o string) bool { return o != p && strings.HasPrefix(o, whole+".") })
	})
}
