package receive

import (
	"nailbridge/mapping/resource"
)

// Written counts versions: by resource type and change, and by element.
type Written struct {
	Types    map[string]map[Change]int
	Elements map[string]int
}

func (w *Written) add(o *Written) {
	for typ, n := range o.Types {
		for what, k := range n {
			w.addType(typ, what, k)
		}
	}
	for path, k := range o.Elements {
		w.addElement(path, k)
	}
}

func (w *Written) addType(typ string, what Change, n int) {
	if w.Types == nil {
		w.Types = map[string]map[Change]int{}
	}
	if w.Types[typ] == nil {
		w.Types[typ] = map[Change]int{}
	}
	w.Types[typ][what] += n
}

func (w *Written) addElement(path string, n int) {
	if w.Elements == nil {
		w.Elements = map[string]int{}
	}
	w.Elements[path] += n
}

// made reports that this commit made a version of the resource: a second is none.
func (f *folded) made(ref resource.Ref) bool {
	x, ok := f.changes[ref]
	return ok && x.Change != Same
}

// count counts a version that is about to be noted.
func (f *folded) count(ref resource.Ref, what Change) {
	if f.written != nil && !f.made(ref) {
		f.written.addType(ref.Type, what, 1)
	}
}

// differ counts the elements in which a version will differ from the one before.
func (f *folded) differ(was, now resource.Resource) {
	if f.written == nil || was.IsZero() || f.made(now.Ref()) {
		return
	}
	paths := map[string]bool{}
	differing(now.Type(), was.Tree(), now.Tree(), paths)
	for p := range paths {
		f.written.addElement(p, 1)
	}
}

// differing gathers the paths, without indexes, of the leaves in which two trees
// differ. What only one of them has differs in each of its leaves.
func differing(path string, a, b any, out map[string]bool) {
	am, aIs := a.(map[string]any)
	bm, bIs := b.(map[string]any)
	al, aList := a.([]any)
	bl, bList := b.([]any)
	switch {
	case aIs || bIs:
		for k := range am {
			differing(path+"."+k, am[k], bm[k], out)
		}
		for k := range bm {
			if _, both := am[k]; !both {
				differing(path+"."+k, nil, bm[k], out)
			}
		}
	case aList || bList:
		for i := range max(len(al), len(bl)) {
			differing(path, itemOf(al, i), itemOf(bl, i), out)
		}
	case a != b:
		out[path] = true
	}
}

// itemOf is the item of an index, nil behind the end.
func itemOf(list []any, i int) any {
	if i < len(list) {
		return list[i]
	}
	return nil
}
