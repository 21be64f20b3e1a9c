package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"nailbridge/conformance/guide/defects"
	"nailbridge/conformance/oracles"
	"nailbridge/internal/validate"
	"nailbridge/mapping/terms"
)

// lacking is the area of the guide's defects under the profile without the constraint that they break.
const lacking = "(without it)"

// judgeGuide asks all about the guide's battery: each defect under its profile, and under the profile without the one
// constraint. All know the guide's definitions.
func judgeGuide(ctx context.Context, core, folder string) (sown, error) {
	battery, err := defects.Sow(folder)
	if err != nil {
		return sown{}, err
	}
	own, err := oracles.OwnDefinitions()
	if err != nil {
		return sown{}, err
	}
	codes, err := terms.Load()
	if err != nil {
		return sown{}, err
	}
	known := validate.Definitions(codes)
	for _, v := range battery.Variants {
		if _, err := known.Add(v); err != nil {
			return sown{}, err
		}
	}
	var out sown
	nth := map[string]int{}
	for i, d := range battery.Defects {
		name := "guide " + d.Constraint
		if nth[name]++; nth[name] > 1 {
			name = fmt.Sprintf("%s, %d", name, nth[name])
		}
		out.defects = append(out.defects, defect{d.Profile, name, battery.Full[i]}, defect{lacking, name + ", without it", battery.Less[i]})
	}
	texts := make([][]byte, len(out.defects))
	for i, d := range out.defects {
		texts[i] = d.text
	}
	if out.pairs, err = verdictsWith(ctx, core, texts, known, slices.Concat(own, battery.Variants)); err != nil {
		return sown{}, err
	}
	return out, out.apart()
}

// apart fails unless both we and the Java validator find each of the guide's defects under its profile, and nothing under
// the profile without the constraint; that no coding is unknown there either is the program's own look at them.
func (s sown) apart() error {
	var wrong []string
	for i, d := range s.defects {
		p := s.pairs[i]
		switch less := d.area == lacking; {
		case less && !(p.ours.valid() && p.java.valid() && p.codings.valid()):
			wrong = append(wrong, fmt.Sprintf("%s: still wrong: ours %v, Java %v %s", d.name, p.ours, p.java, p.codings.text))
		case !less && (p.ours.valid() || p.java.valid()):
			wrong = append(wrong, fmt.Sprintf("%s: not found: ours %v, Java %v", d.name, p.ours, p.java))
		}
	}
	if len(wrong) > 0 {
		return errors.New(strings.Join(wrong, "\n"))
	}
	return nil
}
