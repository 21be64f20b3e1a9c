package shorthand
import ("testing";"os";"strings";"fmt";"slices")
func TestZZ(t *testing.T) {
	for _, f := range strings.Split(os.Getenv("ZZ"), ",") {
	b, _ := os.ReadFile(f)
	type sc struct{ tp, fn, fp int }
	by := map[string]*sc{}
	q, unamb := 0, 0
	wrongToe := 0
	siteish, rest := sc{}, sc{}
	for _, line := range strings.Split(strings.TrimSuffix(string(b), "\n"), "\n") {
		c := strings.Split(line, "\t")
		if len(c) != 3 { fmt.Println("BAD", line); continue }
		kinds := contexts[c[0]]
		want, got := labels(c[2]), facts(Read(c[1], kinds...))
		var miss, extra []string
		asks := func(fs []string) bool { return slices.ContainsFunc(fs, func(s string) bool { return strings.HasSuffix(s, " ?") }) }
		if !asks(want) { unamb++; if asks(got) { q++ } }
		for _, w := range want {
			k, _, _ := strings.Cut(w, " ")
			if by[k] == nil { by[k] = &sc{} }
			if strings.HasSuffix(w, " ?") { if !slices.Contains(got, w) { miss = append(miss, w) }; continue }
			g := &rest; if k == "site" || k == "border" { g = &siteish }
			if slices.Contains(got, w) { by[k].tp++; g.tp++ } else { by[k].fn++; g.fn++; miss = append(miss, w) }
		}
		for _, w := range got {
			if slices.Contains(want, w) { continue }
			k, _, _ := strings.Cut(w, " ")
			if by[k] == nil { by[k] = &sc{} }
			extra = append(extra, w)
			if strings.HasSuffix(w, " ?") { continue }
			g := &rest; if k == "site" || k == "border" { g = &siteish }
			by[k].fp++; g.fp++
			if k == "site" { wrongToe++ }
		}
		if len(miss)+len(extra) > 0 { fmt.Printf("%s | %s | want %q | miss %q extra %q\n", c[0], c[1], strings.Join(want, "; "), strings.Join(miss, "; "), strings.Join(extra, "; ")) }
	}
	fmt.Println(f, "SITE", siteish, "REST", rest, "asked of unamb", q, unamb, "site extra", wrongToe)
	for k, v := range by { fmt.Println(k, *v) }
	}
}
