package sqlite_test

import (
	"database/sql"
	"fmt"
	"net/http"
	"net/http/httptest"
	"testing"

	"github.com/stretchr/testify/require"

	"nailbridge/internal/hub"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
	"nailbridge/mapping/resource"
)

// The questions a hub asks most, over a store of 3,000 plans, beside the same
// rows read by one statement on its own.
func BenchmarkReads(b *testing.B) {
	const n = 3000
	d := filled(b, n)
	patient := searchparam.Condition{Param: "patient", Kind: searchparam.Reference}
	active := condition("status", searchparam.Token, searchparam.Alternative{AnySystem: true, Code: "active"})
	view := func(b *testing.B, fn func(r store.Reader, i int) error) {
		for i := 0; b.Loop(); i++ {
			require.NoError(b, d.View(b.Context(), func(r store.Reader) error { return fn(r, i) }))
		}
	}
	b.Run("read", func(b *testing.B) {
		view(b, func(r store.Reader, i int) error {
			_, err := r.Read(resource.Ref{Type: "CarePlan", ID: fmt.Sprint("p", i%n)})
			return err
		})
	})
	b.Run("patient", func(b *testing.B) {
		view(b, func(r store.Reader, i int) error {
			patient.Any = []searchparam.Alternative{{Code: fmt.Sprint("Patient/", i%n)}}
			p, err := r.Search(store.Query{Type: "CarePlan", Match: []searchparam.Condition{active, patient}, Count: 20})
			require.Len(b, p.Versions, 1)
			return err
		})
	})
	b.Run("poll", func(b *testing.B) {
		view(b, func(r store.Reader, _ int) error {
			p, err := r.Search(store.Query{Type: "CarePlan", Match: []searchparam.Condition{active}, Count: 20, NoTotal: true, Ascending: true})
			require.Len(b, p.Versions, 20)
			return err
		})
	})
	b.Run("bare", func(b *testing.B) {
		c, err := d.Reader().Conn(b.Context())
		require.NoError(b, err)
		defer func() { _ = c.Close() }()
		s, err := c.PrepareContext(b.Context(), `SELECT body FROM version WHERE type = 'CarePlan' AND id = ? AND seq = 1`)
		require.NoError(b, err)
		for i := 0; b.Loop(); i++ {
			var body []byte
			require.NoError(b, s.QueryRowContext(b.Context(), fmt.Sprint("p", i%n)).Scan(&body))
		}
	})
}

// BenchmarkPatientSearch asks for the active plan of a patient, of 3,000, at
// the handler that hubs reach, and by the statement of that search alone,
// prepared once.
func BenchmarkPatientSearch(b *testing.B) {
	const n = 3000
	d := filled(b, n)
	b.Run("handler", func(b *testing.B) {
		h, err := hub.New(hub.Options{Store: d, BaseURL: rt.Base, Secret: make([]byte, 32), Released: t0})
		require.NoError(b, err)
		for i := 0; b.Loop(); i++ {
			w := httptest.NewRecorder()
			h.ServeHTTP(w, httptest.NewRequestWithContext(b.Context(), http.MethodGet,
				fmt.Sprintf("/fhir/CarePlan?patient=Patient/%d&status=active", i%n), nil))
			require.Equal(b, http.StatusOK, w.Code)
			require.Contains(b, w.Body.String(), fmt.Sprintf(`"p%d"`, i%n))
		}
	})
	b.Run("statement", func(b *testing.B) {
		statement, args, of := patientStatement(b, d)
		c, err := d.Reader().Conn(b.Context())
		require.NoError(b, err)
		defer func() { _ = c.Close() }()
		s, err := c.PrepareContext(b.Context(), statement)
		require.NoError(b, err)
		for i := 0; b.Loop(); i++ {
			args[of] = fmt.Sprint("Patient/", i%n)
			require.Equal(b, 1, rowsOf(b, s, args))
		}
	})
}

// patientStatement is the statement of a search for a patient's active plans,
// and which of its arguments is the patient.
func patientStatement(b *testing.B, d *sqlite.DB) (statement string, args []any, of int) {
	const marked = "Patient/marked"
	patient := searchparam.Condition{Param: "patient", Kind: searchparam.Reference, Any: []searchparam.Alternative{{Code: marked}}}
	active := condition("status", searchparam.Token, searchparam.Alternative{AnySystem: true, Code: "active"})
	statement, args, err := d.PageStatement(b.Context(), store.Query{Type: "CarePlan", Match: []searchparam.Condition{active, patient}, Count: 20})
	require.NoError(b, err)
	of = -1
	for i, a := range args {
		if a == marked {
			require.Negative(b, of, "the patient occurs once")
			of = i
		}
	}
	require.GreaterOrEqual(b, of, 0)
	return statement, args, of
}

// rowsOf runs a statement and reads every column of its rows.
func rowsOf(b *testing.B, s *sql.Stmt, args []any) (n int) {
	rows, err := s.QueryContext(b.Context(), args...)
	require.NoError(b, err)
	defer func() { require.NoError(b, rows.Close()) }()
	columns, err := rows.Columns()
	require.NoError(b, err)
	values := make([]any, len(columns))
	for i := range values {
		values[i] = new(sql.RawBytes)
	}
	for rows.Next() {
		require.NoError(b, rows.Scan(values...))
		n++
	}
	require.NoError(b, rows.Err())
	return n
}

// BenchmarkIntake takes first saves of surgeries from bytes to a durable commit,
// beside the same bytes appended as rows by transactions of their own through
// the same connection, synced alike (D9).
func BenchmarkIntake(b *testing.B) {
	b.Run("intake", func(b *testing.B) {
		w := rt.New(b)
		for i := 0; b.Loop(); i++ {
			_, err := w.Receive(b.Context(), rt.Surgery(rt.Record(fmt.Sprint("S-", i)), rt.Patient(fmt.Sprint("P-", i))), false)
			require.NoError(b, err)
		}
	})
	b.Run("append", func(b *testing.B) {
		d := open(b, sqlite.Options{})
		_, err := d.Writer().ExecContext(b.Context(), `CREATE TABLE appended (id INTEGER PRIMARY KEY, body BLOB NOT NULL)`)
		require.NoError(b, err)
		for i := 0; b.Loop(); i++ {
			_, err := d.Writer().ExecContext(b.Context(), `INSERT INTO appended (body) VALUES (?)`, rt.Surgery(rt.Record(fmt.Sprint("S-", i))))
			require.NoError(b, err)
		}
	})
}
