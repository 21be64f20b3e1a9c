package draft_test

import (
	"encoding/json"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/old/draft"
	"nailbridge/internal/old/layout"
)

// A drafted layout of a shipped export marks at most a fifth of its columns, says of
// the rest what the layout that a person wrote says, and is a layout once the marks are
// answered.
func TestDraftsOfTheShippedExports(t *testing.T) {
	for name, want := range map[string]map[string]string{
		"surgeries.csv": {"opno": "", "pat_no": "/patient/identifier/value", "op_date": "/surgery/start", "wt_lb": "/surgery/weight/kg", "notes": "/surgery/note"},
		"visits.xlsx":   {"visit_id": "", "date_of_surgery": "/surgery/start", "seen_on": "/review/at", "weight_kg": "/surgery/weight/kg"},
		"older.json":    {"ref": "", "client_number": "/patient/identifier/value", "when": "/surgery/start", "by": "/surgery/operator/staffKey"},
	} {
		t.Run(name, func(t *testing.T) {
			l, err := draft.File(filepath.Join("../../../testdata/old", name), "", "brindlemere", "Europe/London")
			require.NoError(t, err)
			columns, unsure, found := 0, 0, map[string]string{}
			for _, table := range l.All() {
				for _, c := range table.Schema.Columns {
					columns++
					if c.Note.Unsure != "" {
						unsure++
						t.Logf("unsure: %s: %s", c.Name, c.Note.Unsure)
					}
					found[c.Name] = c.Note.Path
				}
			}
			assert.LessOrEqual(t, unsure*5, columns, "%d of %d columns unsure", unsure, columns)
			for column, path := range want {
				got, known := found[column]
				assert.True(t, known, column)
				assert.Equal(t, path, got, column)
			}
			b, err := json.Marshal(l)
			require.NoError(t, err)
			_, err = layout.Read(b)
			assert.NoError(t, err)
		})
	}
}
