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

// FollowedOtherwise reports that deliveries of a record id have a converted record that
// differs from one in nothing but whether it is followed, and where it was converted from:
// it came of another day. Both have the same saved-at, and which of them counts is told by
// their hashes alone.
func FollowedOtherwise(before []store.Delivery, body []byte) bool {
	now := treeOf(body)
	if now["converted"] == nil {
		return false
	}
	return slices.ContainsFunc(before, func(d store.Delivery) bool {
		then := treeOf(d.Body)
		return then["converted"] != nil && then["followed"] != now["followed"] && reflect.DeepEqual(bare(then), bare(now))
	})
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

func bare(tree map[string]any) map[string]any {
	out := maps.Clone(tree)
	delete(out, "converted")
	delete(out, "followed")
	return out
}
