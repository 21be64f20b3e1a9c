package events_test

import (
	"bytes"
	"database/sql"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/generate"
	"nailbridge/internal/intake"
	"nailbridge/internal/receive/receivetest"
	"nailbridge/internal/store/sqlite"
	"nailbridge/mapping/record"
)

// R-ING-01: both doors give equal stores for the same records: every row of every
// table, over generated cases and what is refused.
func TestBothDoorsGiveEqualStores(t *testing.T) {
	zone := receivetest.Settings(t).Clinic.Zone
	for seed := range uint64(4) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			var bodies [][]byte
			sent := 0
			for _, rs := range generate.Cases(seed, 3, generate.Options{Clinic: "north", Zone: zone}) {
				for _, r := range rs {
					b, err := record.Encode(r)
					require.NoError(t, err)
					bodies = append(bodies, b)
					switch sent++; sent % 4 {
					case 1:
						bodies = append(bodies, b) // sent twice
					case 2:
						bodies = append(bodies, b[:len(b)/2]) // no JSON
					case 3:
						bodies = append(bodies, bytes.Replace(b, []byte(`"clinic":"north"`), []byte(`"clinic":"south"`), 1))
					}
				}
			}
			bodies = append(bodies, []byte("\n"))

			byHTTP, byNATS := newClinic(t), newClinic(t)
			statuses := postAll(t, byHTTP, bodies)
			o := embedded(byNATS, byNATS.options(t))
			o.AckWait = time.Hour // a slow machine repeats nothing
			s := start(t, o)
			n := connect(t, s.ClientURL())
			for _, b := range bodies {
				n.send("north", b)
			}
			n.settled()
			assert.Len(t, n.answers(), len(bodies))
			stop(t, s)
			assert.Contains(t, statuses, http.StatusForbidden)
			assert.Contains(t, statuses, http.StatusBadRequest)
			want, got := dump(t, byHTTP), dump(t, byNATS)
			assert.NotEmpty(t, want["version"])
			assert.NotEmpty(t, want["outbox"])
			for table := range want {
				onlyHTTP, onlyNATS := diff(want[table], got[table]), diff(got[table], want[table])
				assert.Empty(t, onlyHTTP, "table %s, by HTTP alone", table)
				assert.Empty(t, onlyNATS, "table %s, by NATS alone", table)
			}
		})
	}
}

// diff are the rows of a that b has not as often, cut short.
func diff(a, b []string) (out []string) {
	left := map[string]int{}
	for _, row := range b {
		left[row]++
	}
	for _, row := range a {
		if left[row]--; left[row] < 0 {
			out = append(out, row[:min(len(row), 200)])
		}
	}
	return out
}

func postAll(t *testing.T, c *clinic, bodies [][]byte) (statuses []int) {
	door := intake.New(intake.Options{Receiver: c.Receiver, Clinic: "north", Zone: c.Settings.Clinic.Zone, Log: slog.New(slog.DiscardHandler)})
	for _, b := range bodies {
		r := httptest.NewRequest(http.MethodPost, "/records", bytes.NewReader(b))
		r.Header.Set("Content-Type", "application/json")
		w := httptest.NewRecorder()
		door.ServeHTTP(w, r)
		require.NotEqual(t, http.StatusServiceUnavailable, w.Code)
		statuses = append(statuses, w.Code)
	}
	return statuses
}

// dump is every row of every table as text, sorted.
func dump(t *testing.T, c *clinic) map[string][]string {
	db, err := sql.Open("sqlite", "file:"+filepath.Join(c.dir, sqlite.File)+"?mode=ro")
	require.NoError(t, err)
	defer func() { require.NoError(t, db.Close()) }()
	out := map[string][]string{}
	for _, table := range column(t, db, `SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' AND name NOT LIKE 'goose%'`) {
		var fields []string
		for _, f := range column(t, db, `SELECT name FROM pragma_table_info(`+"'"+table+"'"+`)`) {
			fields = append(fields, `quote("`+f+`")`)
		}
		out[table] = column(t, db, `SELECT `+strings.Join(fields, ` || ',' || `)+` FROM "`+table+`"`)
		slices.Sort(out[table])
	}
	return out
}

func column(t *testing.T, db *sql.DB, query string) (out []string) {
	rows, err := db.QueryContext(t.Context(), query)
	require.NoError(t, err)
	defer func() { require.NoError(t, rows.Close()) }()
	for rows.Next() {
		var s string
		require.NoError(t, rows.Scan(&s))
		out = append(out, s)
	}
	require.NoError(t, rows.Err())
	return out
}
