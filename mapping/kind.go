package mapping

import (
	"fmt"
	"slices"
	"strings"

	"nailbridge/mapping/internal/rawjson"
	"nailbridge/mapping/record"
)

// kindChange is a record id under which contents of several kinds were sent.
type kindChange struct {
	id    string
	kinds []record.Code // all, sorted
	now   record.Code   // of the content that counts
}

// kindsOf lists the kinds of the contents of one record id, where one of them
// names the patient. Drafts and refused contents are of no account.
func kindsOf(ds []Delivery, p record.Identifier, st Standing) kindChange {
	k := kindChange{}
	named := false
	for i := range ds {
		if d := &ds[i]; !d.Refused && d.Record.Status != "draft" {
			k.id, named = d.Record.Record, named || names(d.Record, p)
			k.kinds = append(k.kinds, d.Record.Kind)
		}
	}
	if !named || st.Current == nil {
		return kindChange{}
	}
	k.now = st.Current.Record.Kind
	slices.Sort(k.kinds)
	k.kinds = slices.Compact(k.kinds)
	return k
}

// kindSignal says that contents of several kinds came under one record id. One
// of them counts, by D1.1, and what the others hold is not shown: critical where
// a surgery is among those, since its follow-up is gone with it.
func kindSignal(k kindChange) signal {
	var words []string
	f := Flag{
		Code: "record-kind-changed", Level: Warning, Place: rawjson.Pointer("/record", k.id), Rule: "D1.1",
		Inputs: inputs("counts", string(k.now)),
	}
	for _, kind := range k.kinds {
		words = append(words, string(kind))
		f.Inputs = append(f.Inputs, inputs("kind", string(kind))...)
	}
	f.Text = fmt.Sprintf("Record %s was sent as %s; the %s counts, and what the other holds is not shown.", k.id, strings.Join(words, " and as "), k.now)
	if k.now != "surgery" && slices.Contains(k.kinds, "surgery") {
		f.Level = Critical
		f.Text = fmt.Sprintf("Record %s was a surgery and was then sent as a %s: the surgery and its follow-up are not shown until it is sent again.", k.id, k.now)
	}
	return signal{Flag: f}
}
