package receive

import (
	"encoding/json"
	"maps"
	"reflect"
	"slices"

	"nailbridge/internal/store"
	"nailbridge/mapping/record"
)

// CodeFollowedOtherwise is the code of an answer's reason that says so.
const CodeFollowedOtherwise = "followed-otherwise"

// followedOtherwise says that one old record came twice, by two days from which on
// surgeries are followed (D4.4).
var followedOtherwise = record.Finding{
	Severity: record.Warning, Code: CodeFollowedOtherwise, Pointer: "/followed", Rule: "D4.4",
	Text: "the same converted record is kept that is followed otherwise; both have one saved-at, so which of them counts says nothing",
}

// Likeness is how a converted record stands to what was delivered under its id. Of two
// contents of one saved-at the hashes alone say which counts (D1.1).
type Likeness struct {
	Known        bool // the same content is there, converted from wherever
	OtherDay     bool // the same converted content is there, followed otherwise: it came of another day
	OtherPatient bool // a content of another patient is there
	Rival        bool // another converted content of the same saved-at is there, neither with a revision
}

// LikenessOf compares a record with deliveries of its id.
func LikenessOf(before []store.Delivery, body []byte) (l Likeness) {
	now := treeOf(body)
	for _, d := range before {
		then := treeOf(d.Body)
		old, same := then["converted"] != nil && now["converted"] != nil, reflect.DeepEqual(bare(then), bare(now))
		l.Known = l.Known || same
		l.OtherDay = l.OtherDay || old && same && then["followed"] != now["followed"]
		l.OtherPatient = l.OtherPatient || !reflect.DeepEqual(identifierOf(then), identifierOf(now))
		l.Rival = l.Rival || old && !same && then["savedAt"] == now["savedAt"] && then["revision"] == nil && now["revision"] == nil
	}
	return l
}

// cameBefore are the deliveries of a record id that came before another did first: sent
// again, the one that was there first is in order.
func cameBefore(x arriving) []store.Delivery {
	return slices.DeleteFunc(slices.Clone(x.before), func(d store.Delivery) bool { return d.Seq >= x.row.Seq })
}

// treeOf is a record as a tree; none where it is no JSON.
func treeOf(body []byte) (tree map[string]any) {
	_ = json.Unmarshal(body, &tree) // what cannot be read is like nothing
	return tree
}

// identifierOf is the identifier of a record's patient.
func identifierOf(tree map[string]any) any {
	p, _ := tree["patient"].(map[string]any)
	return p["identifier"]
}

// bare is a record without where it was converted from, and whether it is followed.
func bare(tree map[string]any) map[string]any {
	out := maps.Clone(tree)
	delete(out, "converted")
	delete(out, "followed")
	return out
}
