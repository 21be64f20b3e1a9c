package jsontree

// At goes down a tree by names and indexes; nil where there is nothing.
func At(v any, path ...any) any {
	for _, p := range path {
		switch p := p.(type) {
		case string:
			m, _ := v.(map[string]any)
			v = m[p]
		case int:
			l, _ := v.([]any)
			if p >= len(l) {
				return nil
			}
			v = l[p]
		}
	}
	return v
}
