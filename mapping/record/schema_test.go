package record

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "rewrite record.schema.json from the types")

const schemaFile = "record.schema.json"

// object is one JSON object of the schema.
type object = map[string]any

// whenPattern is the grammar of ParseWhen; the calendar is not in it.
const whenPattern = `^[0-9]{4}(-[0-9]{2}(-[0-9]{2}(T[0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]{1,9})?)?(Z|[+-][0-9]{2}:[0-9]{2})?)?)?)?$`

// schemaWriter builds the JSON Schema from the shapes.
type schemaWriter struct{ defs object }

func buildSchema() []byte {
	w := schemaWriter{defs: object{}}
	s := w.definition(root())
	s["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	s["$id"] = SchemaID
	s["title"] = "Clinic record of toenail surgery, version " + SchemaVersion
	s["description"] = "One saved record: a header and one of the trees surgery, review, contact and merge. x-unit is the UCUM unit of a number. " +
		"x-unreadable says what becomes of a record in which the value does not fit this schema: refused, or kept (as sent, flagged, and the rest used)."
	s["anyOf"] = []any{object{"required": []string{"revision"}}, object{"required": []string{"savedAt"}}}
	var kinds []any
	for _, kind := range KindSet.Values {
		var others []any
		for _, other := range KindSet.Values {
			if other != kind {
				others = append(others, object{"required": []string{string(other.Code)}})
			}
		}
		kinds = append(kinds, object{
			"if":   object{"properties": object{"kind": object{"const": kind.Code}}, "required": []string{"kind"}},
			"then": object{"required": []string{string(kind.Code)}, "not": object{"anyOf": others}},
		})
	}
	s["allOf"] = append(kinds, object{
		"if":   object{"properties": object{"historical": object{"const": true}}, "required": []string{"historical"}},
		"else": object{"required": []string{"author"}},
	})
	s["$defs"] = w.defs
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(s); err != nil {
		panic(err)
	}
	return out.Bytes()
}

// place is the schema of the value at a place.
func (w schemaWriter) place(s *shape) object {
	o := w.valueSchema(s)
	if s.name != "*" {
		o["description"] = s.desc
		o["x-unreadable"] = "kept"
		if s.holdsCritical {
			o["x-unreadable"] = "refused"
		}
	}
	if s.unit != "" {
		o["x-unit"] = s.unit
		if s.unit != "1" {
			o["description"] = s.desc + ", in " + s.unit
		}
	}
	return o
}

func (w schemaWriter) valueSchema(s *shape) object {
	switch s.pathType() {
	case ObjectPath:
		return w.reference(s)
	case ListPath:
		list := object{"type": "array", "items": w.place(s.item)}
		if s.class == identity {
			list["minItems"] = 1
		}
		return list
	case CodePath:
		return w.code(s.set)
	case WhenPath:
		return object{"type": "string", "pattern": whenPattern}
	case DecimalPath:
		return bounded(object{"type": "number"}, s)
	case IntegerPath:
		return bounded(object{"type": "integer"}, s)
	case BooleanPath:
		return object{"type": "boolean"}
	case IDPath:
		return object{"type": "string", "pattern": `^[^\x00-\x20\x7f]([^\x00-\x1f\x7f]*[^\x00-\x20\x7f])?$`, "maxLength": 255}
	case URIPath:
		return object{"type": "string", "pattern": "^[A-Za-z][A-Za-z0-9+.-]*:[!#-;=?-\\[\\]_a-z~]+$", "maxLength": 255}
	default:
		return object{"type": "string", "pattern": `\S`}
	}
}

func bounded(o object, s *shape) object {
	if s.least != "" && s.above {
		o["exclusiveMinimum"] = json.Number(s.least)
	} else if s.least != "" {
		o["minimum"] = json.Number(s.least)
	}
	if s.most != "" {
		o["maximum"] = json.Number(s.most)
	}
	return o
}

func (w schemaWriter) code(set *Set) object {
	if w.defs[set.Name] == nil {
		var values []any
		for _, v := range set.Values {
			values = append(values, object{"const": v.Code, "title": v.Display})
		}
		w.defs[set.Name] = object{"oneOf": values}
	}
	return object{"$ref": "#/$defs/" + set.Name}
}

// reference points to the definition of an object's type, and adds what is
// required in this place only.
func (w schemaWriter) reference(s *shape) object {
	name := s.typ.Name()
	if w.defs[name] == nil {
		w.defs[name] = object{} // the types do not recur; this is against a slip
		w.defs[name] = w.definition(s)
	}
	o := object{"$ref": "#/$defs/" + name}
	var here []string
	for _, m := range s.members {
		if m.class == identity && fields[name+"."+m.name].class != identity {
			here = append(here, m.name)
		}
	}
	if here != nil {
		o["required"] = here
	}
	if s.path == "/author" {
		o["anyOf"] = []any{
			object{"required": []string{"staffKey"}},
			object{"required": []string{"registration"}, "properties": object{"registration": object{"required": []string{"system", "value"}}}},
		}
	}
	return o
}

// definition is the schema of an object's type wherever it stands. Places that
// identify in one place only are marked in Paths, not in a shared definition.
func (w schemaWriter) definition(s *shape) object {
	properties, required := object{}, []string{}
	for _, m := range s.members {
		properties[m.name] = w.place(m)
		if _, here := places[m.path]; here && s.path != "" && s.path != "/patient" {
			delete(properties[m.name].(object), "x-unreadable")
		}
		if fields[s.typ.Name()+"."+m.name].class == identity || s.path == "" && m.class == identity && m.name != "author" {
			required = append(required, m.name)
		}
	}
	o := object{"type": "object", "properties": properties, "additionalProperties": false}
	if len(required) > 0 {
		o["required"] = required
	}
	return o
}

// TestSchemaIsWrittenFromTheTypes keeps the embedded schema equal to the types
// and the table of fields. Run with -update to rewrite it.
func TestSchemaIsWrittenFromTheTypes(t *testing.T) {
	if *update {
		require.NoError(t, os.WriteFile(schemaFile, buildSchema(), 0o644))
	}
	stored, err := os.ReadFile(schemaFile)
	require.NoError(t, err)
	assert.Equal(t, string(buildSchema()), string(stored), "run go test with -update and review the difference")
}

func TestFieldTableEqualsTheTypes(t *testing.T) {
	seen := map[string]bool{}
	root().visit(func(s *shape) {
		if !s.isObject() {
			return
		}
		for _, m := range s.members {
			key := s.typ.Name() + "." + m.name
			seen[key] = true
			assert.Contains(t, fields, key, "no entry for a member of the types")
			assert.NotEmpty(t, m.desc, "%s is not described", key)
			assert.Equal(t, m.typ == codeType || m.item != nil && m.item.typ == codeType, m.set != nil, "%s: a code has a set, and only a code", key)
			if m.typ == decimalType {
				assert.NotEmpty(t, m.unit, "%s: a decimal has a unit", key)
				assert.NotEmpty(t, m.least, "%s: no negative amount exists", key)
			}
			assert.False(t, m.usual != "" && m.typ != decimalType, "%s: only decimals have a usual bound", key)
		}
	})
	for key := range fields {
		assert.True(t, seen[key], "%s: an entry without a member", key)
	}
	for path := range places {
		assert.True(t, pathExists(path), "%s: a place that the format does not have", path)
	}
}

func pathExists(path string) bool {
	for _, p := range Paths() {
		if p.Path == path {
			return true
		}
	}
	return false
}

func compiledSchema(t testing.TB) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema()))
	require.NoError(t, err)
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	require.NoError(t, c.AddResource(SchemaID, doc))
	s, err := c.Compile(SchemaID)
	require.NoError(t, err)
	return s
}

// TestSchemaHasTheTypesFieldsAndNoOthers compares the schema with the Go types
// by reflection alone, without the shapes that it was written from.
func TestSchemaHasTheTypesFieldsAndNoOthers(t *testing.T) {
	s := compiledSchema(t)
	compareType(t, reflect.TypeFor[Record](), s, "")
}

func compareType(t *testing.T, typ reflect.Type, s *jsonschema.Schema, path string) {
	for s.Ref != nil {
		s = s.Ref
	}
	for typ.Kind() == reflect.Pointer {
		typ = typ.Elem()
	}
	if typ.Kind() == reflect.Slice {
		items, ok := s.Items2020, s.Items2020 != nil
		if assert.True(t, ok, "%s: the schema has no list", path) {
			compareType(t, typ.Elem(), items, path+"/*")
		}
		return
	}
	if typ.Kind() != reflect.Struct || typ == reflect.TypeFor[When]() || typ == reflect.TypeFor[Decimal]() {
		assert.Empty(t, s.Properties, "%s: the schema has members and the type has none", path)
		return
	}
	names := map[string]bool{}
	for i := range typ.NumField() {
		name, _, _ := strings.Cut(typ.Field(i).Tag.Get("json"), ",")
		names[name] = true
		if p := s.Properties[name]; assert.NotNil(t, p, "%s/%s: not in the schema", path, name) {
			assert.NotEmpty(t, p.Description, "%s/%s: not described", path, name)
			compareType(t, typ.Field(i).Type, p, path+"/"+name)
		}
	}
	for name := range s.Properties {
		assert.True(t, names[name], "%s/%s: in the schema and not in the type", path, name)
	}
	assert.Equal(t, false, s.AdditionalProperties, "%s: the schema lets unknown members through", path)
}

// shapeCodes are the findings that speak of what the schema describes too.
// Beyond the schema are the calendar, digits, the zone, and plausibility.
var shapeCodes = map[string]bool{
	"wrong-type": true, "null-value": true, "empty-value": true, "unlisted-value": true, "unknown-member": true, "member-case": true,
	"malformed-id": true, "malformed-uri": true, "malformed-date": true, "impossible-number": true, "missing": true, "other-kind": true,
}

func shapeFindings(d Decoded) []Finding {
	var found []Finding
	for _, f := range d.Findings {
		if shapeCodes[f.Code] {
			found = append(found, f)
		}
	}
	return found
}

// agree asserts that the schema and the decoder judge b alike.
func agree(t *testing.T, s *jsonschema.Schema, b []byte, what string) {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	require.NoError(t, err, what)
	found, invalid := shapeFindings(Read(b, time.UTC)), s.Validate(doc)
	assert.Equal(t, invalid != nil, len(found) > 0, "%s\nschema: %v\ndecoder: %v", what, invalid, found)
}

// TestSchemaAndDecoderAgree puts a good and many bad values at every place of
// the format.
func TestSchemaAndDecoderAgree(t *testing.T) {
	s := compiledSchema(t)
	for _, kind := range []string{"surgery", "review", "contact", "merge"} {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			full := mustJSON(fullRecord(kind))
			agree(t, s, full, "the full record")
			assert.Empty(t, shapeFindings(Read(full, time.UTC)), "the full record")
			for _, historical := range []any{true, false, nil, "yes"} {
				agree(t, s, mustJSON(without(with(fullRecord(kind), "/historical", historical), "/author")), "without an author")
			}
			for _, p := range Paths() {
				inTree := strings.HasPrefix(p.Path, "/"+kind)
				if belongs(p.Path, kind) && (inTree || kind == "surgery") {
					agreeAt(t, s, kind, p)
				}
			}
		})
	}
}

func agreeAt(t *testing.T, s *jsonschema.Schema, kind string, p PathInfo) {
	doc := spareRecord(kind, p.Path)
	assert.Empty(t, shapeFindings(Read(mustJSON(doc), time.UTC)), "the record with %s alone", p.Path)
	agree(t, s, mustJSON(without(doc, p.Path)), "without "+p.Path)
	for _, value := range triedValues {
		if n, ok := value.(json.Number); ok && len(n) > maxDecimalDigits && p.Type == DecimalPath {
			continue // more digits than a decimal carries; the schema counts none
		}
		agree(t, s, mustJSON(with(doc, p.Path, value)), p.Path+" = "+string(mustJSON(value)))
	}
	if p.Type == ObjectPath {
		agree(t, s, mustJSON(with(doc, p.Path+"/unknownMember", "x")), "with an unknown member in "+p.Path)
	}
}

// triedValues are tried at every place; most are bad in most places.
var triedValues = []any{
	nil, true, "", " ", "x", " x", "x\u0007y", "yes", "1", "I", "urn:a", "urn:", "not a uri:x", "2024-02-28", "2024-2-28", "2024-02-28T10:00",
	"2024-02-28T10:00+0100", "2024-02-28T10:00:00.5Z", json.Number("0"), json.Number("-1"), json.Number("1.0"), json.Number("10"), json.Number("11"), json.Number("101"),
	json.Number("650.5"), json.Number("0.5"), json.Number("1e2"), json.Number("9007199254740991"), json.Number("9007199254740992"),
	object{}, object{"x": 1}, []any{}, []any{nil}, []any{"x"}, []any{"yes"}, []any{"pus"}, []any{object{}}, []any{json.Number("1")}, strings.Repeat("k", 255), strings.Repeat("k", 256),
}
