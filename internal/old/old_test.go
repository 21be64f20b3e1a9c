package old

import (
	"errors"
	"fmt"
	"io"
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"nailbridge/internal/old/layout"
	"nailbridge/internal/old/table"
)

func TestScratch(t *testing.T) {
	b, err := os.ReadFile("../../testdata/old/surgeries.layout.json")
	require.NoError(t, err)
	l, err := layout.Read(b)
	require.NoError(t, err)
	rows, err := table.Open("../../testdata/old/surgeries.csv", table.Format{Delimiter: ';'})
	require.NoError(t, err)
	h, err := rows.Next()
	require.NoError(t, err)
	cross := map[string]map[string]string{"patients": {"004711": "P1", "004712": "P2", "004713": "P3", "004714": "P4", "004715": "P5"}, "staff": {"HB": "hb", "JT": "jt"}}
	c, err := New(l.Table, h.Cells, false, false, Beside{Crosswalks: cross})
	require.NoError(t, err)
	for {
		r, err := rows.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err)
		x := c.Row(r, nil)
		fmt.Println(r.Number, x.Skip, x.RecordID, string(x.Record))
		for _, f := range x.Findings {
			fmt.Println("   ", f)
		}
		for _, q := range x.Questions {
			fmt.Println("  ?", q)
		}
	}
}
