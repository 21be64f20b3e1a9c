package terms

import (
	"fmt"
	"slices"
	"strings"
)

// Check holds a coding that is about to leave to the data (D7.4): the code is
// listed, its check digit is right, and the display is the listed one. A UCUM
// unit has no display here, since Quantity.unit is free. A SNOMED CT code is
// right if any setting permits it; Permits asks about one setting. The error
// names system and code only.
func (t *Terms) Check(system, code, display string) error {
	if id, ok := strings.CutPrefix(system, localSystem); ok {
		cs := t.systems[id]
		if cs == nil {
			return fmt.Errorf("no local code system %s", id)
		}
		want, ok := cs.display(code)
		if !ok {
			return fmt.Errorf("%s|%s is not listed", system, code)
		}
		return sameDisplay(system, code, display, want)
	}
	table, ok := t.evidence[system]
	if !ok {
		return fmt.Errorf("no code system %s", system)
	}
	e, ok := table[code]
	if !ok {
		return fmt.Errorf("%s|%s is not listed", system, code)
	}
	if err := CheckDigit(system, code); err != nil {
		return err
	}
	if system == UCUM && display == "" {
		return nil
	}
	return sameDisplay(system, code, display, e.Display)
}

func sameDisplay(system, code, got, want string) error {
	if got != want {
		return fmt.Errorf("%s|%s has another display than the table", system, code)
	}
	return nil
}

// checkTag holds the semantic tag of a SNOMED CT code to the FHIR element it
// stands in: a disorder is never a procedure code.
func (t *Terms) checkTag(element string, c Coding) error {
	if c.System != SNOMEDCT {
		return nil
	}
	tag := t.evidence[SNOMEDCT][c.Code].SemanticTag
	if !slices.Contains(t.tags[element], tag) {
		return fmt.Errorf("%s|%s is a %s and may not stand in %s", c.System, c.Code, tag, element)
	}
	return nil
}

// CheckDigit checks the last digit of SNOMED CT identifiers (Verhoeff) and of
// LOINC codes (mod 10); other systems have none.
func CheckDigit(system, code string) error {
	ok := true
	switch system {
	case SNOMEDCT:
		ok = verhoeff(code)
	case LOINC:
		ok = mod10(code)
	}
	if !ok {
		return fmt.Errorf("%s|%s has a wrong check digit", system, code)
	}
	return nil
}

// The tables of Verhoeff's scheme: multiplication in the dihedral group D5 and
// the permutation applied by position (J. Verhoeff, Error Detecting Decimal
// Codes, 1969; SNOMED CT release file specification, SCTID check digit).
var (
	dihedral = [10]string{
		"0123456789", "1234067895", "2340178956", "3401289567", "4012395678",
		"5987604321", "6598710432", "7659821043", "8765932104", "9876543210",
	}
	permute = [8]string{
		"0123456789", "1576283094", "5803796142", "8916043527",
		"9453126870", "4286573901", "2793806415", "7046913258",
	}
)

func verhoeff(code string) bool {
	if len(code) < 6 || len(code) > 18 {
		return false
	}
	c := 0
	for i := range len(code) {
		d := code[len(code)-1-i]
		if d < '0' || d > '9' {
			return false
		}
		c = int(dihedral[c][permute[i%8][d-'0']-'0'] - '0')
	}
	return c == 0
}

// mod10 checks a LOINC code, "number-digit": from the right every second digit
// of the number, the last one first, is doubled, and the digits of what results
// are summed. The letters before the number of an answer, a part or an answer list
// count as digits of a value by their place in ASCII after 0 (LOINC Users' Guide 12
// C, which names the OpenMRS wiki, Check Digit Algorithm, for those).
func mod10(code string) bool {
	number, check, ok := strings.Cut(code, "-")
	plain := number
	if len(number) > 2 && slices.Contains([]string{"LA", "LL", "LP"}, number[:2]) {
		plain = number[2:]
	}
	if !ok || plain == "" || strings.Trim(plain, "0123456789") != "" || len(check) != 1 {
		return false
	}
	sum := 0
	for i := range len(number) {
		d := int(number[len(number)-1-i]) - '0'
		if i%2 == 0 {
			d = 2*d - d/5*9
		}
		sum += d
	}
	return check[0] == byte('0'+(10-sum%10)%10)
}
