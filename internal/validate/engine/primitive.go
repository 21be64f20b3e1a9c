package engine

import (
	"encoding/json"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// primitiveCheck is what a primitive type asks of its values (R4 datatypes.html,
// the table of primitive types).
func primitiveCheck(name string) func(*run, any) {
	switch name {
	case "boolean":
		return func(r *run, v any) {
			if _, ok := v.(bool); !ok {
				r.report(ruleKind, "")
			}
		}
	case "integer":
		return number(wholeNumber(math.MinInt32))
	case "unsignedInt":
		return number(wholeNumber(0))
	case "positiveInt":
		return number(wholeNumber(1))
	case "decimal":
		return number(decimal)
	case "xhtml":
		return func(r *run, v any) {
			if _, ok := v.(string); !ok {
				r.report(ruleKind, "")
			}
		}
	}
	form, check := forms[name], forms[name] != nil
	return func(r *run, v any) {
		s, ok := v.(string)
		switch {
		case !ok:
			r.report(ruleKind, "")
		case s == "":
			r.report(ruleEmpty, "")
		case check && !form(s):
			r.report(formRule(name), s)
		default:
			r.extra(name, s)
		}
	}
}

func formRule(name string) rule {
	if name == "id" {
		return ruleID
	}
	u := ruleFormat
	u.section = "datatypes.html#" + name
	return u
}

// extra is what some types of text ask beside their form.
func (r *run) extra(name, s string) {
	switch name {
	case "string", "markdown":
		r.text(name, s)
	case "canonical":
		if !absolute(s) && s[0] != '#' {
			r.report(ruleAbsolute, s)
		}
	}
	switch name {
	case "uri", "url", "canonical", "oid", "uuid":
		if !urnForm(s) {
			r.report(ruleURN, s)
		}
	}
}

// text is a string or markdown. Java's trim and the standard agree that spaces
// around a text should not be there.
func (r *run) text(name, s string) {
	switch {
	case strings.TrimSpace(s) == "":
		r.report(ruleEmpty, "")
	case len(s) > 1<<20:
		r.report(ruleLength, "")
	case !printable(s):
		r.report(formRule(name), "")
	case name == "string" && strings.TrimSpace(s) != s:
		r.report(ruleSpaces, "")
	}
}

// printable reports text without control characters but tab, line feed and
// carriage return (R4 datatypes.html#string).
func printable(s string) bool {
	for i := range len(s) {
		if c := s[i]; c < ' ' && c != '\t' && c != '\n' && c != '\r' {
			return false
		}
	}
	return true
}

func number(ok func(string) bool) func(*run, any) {
	return func(r *run, v any) {
		switch n, isNumber := v.(json.Number); {
		case !isNumber:
			r.report(ruleKind, "")
		case !ok(string(n)):
			r.report(ruleFormat, string(n))
		}
	}
}

// wholeNumber is an integer of 32 bits, no less than from.
func wholeNumber(from int64) func(string) bool {
	return func(s string) bool {
		n, err := strconv.ParseInt(s, 10, 32)
		return err == nil && n >= from && s != "-0"
	}
}

// decimal takes what JSON takes, to 18 digits; more are not to be counted on
// (R4 datatypes.html#decimal), which is no error.
func decimal(string) bool { return true }

// forms are the forms of values of text types.
var forms = map[string]func(string) bool{
	"uri": noSpace, "url": noSpace, "canonical": noSpace,
	"oid":          func(s string) bool { return strings.HasPrefix(s, "urn:oid:") && dotted(s[8:]) },
	"uuid":         func(s string) bool { return strings.HasPrefix(s, "urn:uuid:") && isUUID(s[9:]) },
	"id":           isID,
	"code":         isCode,
	"date":         isDate,
	"dateTime":     isDateTime,
	"instant":      isInstant,
	"time":         isTime,
	"base64Binary": isBase64,
}

func noSpace(s string) bool { return !strings.ContainsAny(s, " \t\r\n\u00a0") && printable(s) }

func isID(s string) bool {
	if len(s) == 0 || len(s) > 64 {
		return false
	}
	for i := range len(s) {
		if c := s[i]; !letter(c) && !digit(c) && c != '-' && c != '.' {
			return false
		}
	}
	return true
}

func letter(c byte) bool { return c|0x20 >= 'a' && c|0x20 <= 'z' }
func digit(c byte) bool  { return c >= '0' && c <= '9' }

// isCode is text without white space around it, and single spaces within.
func isCode(s string) bool {
	space := true
	for i := range len(s) {
		switch c := s[i]; {
		case c == ' ':
			if space {
				return false
			}
			space = true
		case c < ' ':
			return false
		default:
			space = false
		}
	}
	return !space
}

// isDate is a year, a month or a day that exists.
func isDate(s string) bool {
	switch len(s) {
	case 4:
		return year(s)
	case 7:
		return year(s[:4]) && month(s[4:7])
	case 10:
		_, err := time.Parse(time.DateOnly, s)
		return err == nil && year(s[:4])
	}
	return false
}

func year(s string) bool { return all(s, digit) && s != "0000" }

func month(s string) bool {
	return s[0] == '-' && all(s[1:], digit) && s[1:] >= "01" && s[1:] <= "12"
}

func all(s string, is func(byte) bool) bool {
	for i := range len(s) {
		if !is(s[i]) {
			return false
		}
	}
	return true
}

// isDateTime is a date, or an instant.
func isDateTime(s string) bool { return isDate(s) || isInstant(s) }

// isInstant is a day and a time to the second or finer, with a zone.
func isInstant(s string) bool {
	if len(s) < len("2006-01-02T15:04:05Z") || s[10] != 'T' || !isDate(s[:10]) {
		return false
	}
	clock, zone := s[11:], ""
	switch i := strings.IndexAny(clock, "Z+-"); {
	case i < 0:
		return false
	default:
		clock, zone = clock[:i], clock[i:]
	}
	return isTime(clock) && isZone(zone)
}

// isZone is Z, or an offset of no more than 14 hours.
func isZone(s string) bool {
	if s == "Z" {
		return true
	}
	if len(s) != 6 || s[3] != ':' || !all(s[1:3], digit) || !all(s[4:], digit) {
		return false
	}
	return s[1:3] < "14" && s[4:] < "60" || s[1:] == "14:00"
}

// isTime is a time to the second or finer; a minute may have 61 seconds.
func isTime(s string) bool {
	clock, fraction, fine := strings.Cut(s, ".")
	if fine && (fraction == "" || !all(fraction, digit)) {
		return false
	}
	if len(clock) != 8 || clock[2] != ':' || clock[5] != ':' {
		return false
	}
	h, m, sec := clock[:2], clock[3:5], clock[6:]
	return all(h, digit) && all(m, digit) && all(sec, digit) && h < "24" && m < "60" && sec <= "60"
}

// isBase64 is base64 with padding, white space aside (R4 datatypes.html#base64Binary).
func isBase64(s string) bool {
	n, pad := 0, 0
	for i := range len(s) {
		switch c := s[i]; {
		case c == ' ' || c == '\t' || c == '\r' || c == '\n':
		case c == '=':
			pad++
			n++
		case pad == 0 && (letter(c) || digit(c) || c == '+' || c == '/'):
			n++
		default:
			return false
		}
	}
	return n > 0 && n%4 == 0 && pad <= 2
}

// urnForm reports whether a URI that is a URN of a UUID or OID has its form. A
// UUID in capitals is none (R4 datatypes.html#uuid).
func urnForm(s string) bool {
	if id, ok := strings.CutPrefix(s, "urn:uuid:"); ok {
		id, _, _ = strings.Cut(id, "#")
		return isUUID(id)
	}
	if id, ok := strings.CutPrefix(s, "urn:oid:"); ok {
		id, _, _ = strings.Cut(id, "|")
		return dotted(id)
	}
	return true
}

func isUUID(s string) bool {
	if len(s) != 36 {
		return false
	}
	for i := range len(s) {
		switch c := s[i]; {
		case i == 8 || i == 13 || i == 18 || i == 23:
			if c != '-' {
				return false
			}
		case !digit(c) && (c < 'a' || c > 'f'):
			return false
		}
	}
	return true
}

// dotted is an OID: numbers without leading zeros, the first 0 to 2.
func dotted(s string) bool {
	parts := strings.Split(s, ".")
	if len(parts) < 2 || len(parts[0]) != 1 || parts[0] > "2" {
		return false
	}
	for _, p := range parts {
		if p == "" || !all(p, digit) || len(p) > 1 && p[0] == '0' {
			return false
		}
	}
	return true
}

// absolute reports a URI with a scheme (RFC 3986 4.3).
func absolute(s string) bool {
	scheme, rest, ok := strings.Cut(s, ":")
	if !ok || scheme == "" || rest == "" || !letter(scheme[0]) || !utf8.ValidString(s) {
		return false
	}
	return all(scheme, func(c byte) bool { return letter(c) || digit(c) || c == '+' || c == '-' || c == '.' })
}
