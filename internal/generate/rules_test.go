package generate

import (
	"reflect"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"nailbridge/mapping/record"
)

// A rule of a member that no type has would silently do nothing.
func TestRulesAreOfMembersThatExist(t *testing.T) {
	members := map[string]bool{}
	var walk func(reflect.Type)
	walk = func(typ reflect.Type) {
		for typ.Kind() == reflect.Pointer || typ.Kind() == reflect.Slice {
			typ = typ.Elem()
		}
		if typ.Kind() != reflect.Struct {
			return
		}
		for f := range typ.Fields() {
			if name, _, _ := strings.Cut(f.Tag.Get("json"), ","); name != "" {
				members[typ.Name()+"."+name] = true
				walk(f.Type)
			}
		}
	}
	walk(reflect.TypeFor[record.Record]())
	for name, r := range rules {
		assert.True(t, members[name], "%s is no member", name)
		for code := range r.weights {
			assert.True(t, listed(name, code), "%s is not listed for %s", code, name)
		}
	}
}

// listed reports whether some place of that member has the value in its set.
func listed(member string, code record.Code) bool {
	name := member[strings.Index(member, ".")+1:]
	for _, p := range record.Paths() {
		last := strings.TrimSuffix(p.Path, "/*")
		if last[strings.LastIndex(last, "/")+1:] == name && p.Set != nil && p.Set.Has(code) {
			return true
		}
	}
	return false
}
