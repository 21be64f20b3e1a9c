package openapi_test

import (
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"nailbridge/internal/receive"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
)

// answered are the types that answers are written from, by their schemas.
func answered() map[string]any {
	return map[string]any{
		"AnswerMembers": receive.Answer{}, "ResourceVersion": receive.ResourceVersion{}, "Activity": receive.Activity{},
		"Lookup": receive.Lookup{}, "Arrived": receive.Arrived{}, "GivenAcknowledgement": receive.GivenAcknowledgement{},
		"Tried": receive.Retried{}, "FollowUpList": receive.FollowUpList{}, "FollowUpEntry": receive.FollowUpEntry{},
		"FlagMembers": mapping.Flag{}, "Figure": mapping.Figure{}, "Acknowledged": mapping.Acknowledged{},
		"Input": safety.Input{}, "Finding": record.Finding{}, "Acknowledgement": record.Acknowledgement{}, "Person": record.Person{},
	}
}

// membersOf gives the JSON names of a struct's fields, sorted.
func membersOf(t *testing.T, v any) (out []string) {
	t.Helper()
	typ := reflect.TypeOf(v)
	require.Equal(t, reflect.Struct, typ.Kind())
	for _, f := range reflect.VisibleFields(typ) {
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		if f.IsExported() && !f.Anonymous && name != "-" {
			require.NotEmpty(t, name, f.Name)
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}
