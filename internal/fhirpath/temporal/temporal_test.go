package temporal

import (
	"math/big"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// value reads what stands behind the @ of a literal.
func value(t *testing.T, s string) Value {
	t.Helper()
	v, ok := ParseDate(s)
	if s[0] == 'T' {
		v, ok = ParseTime(s)
	} else if !ok {
		v, ok = ParseDateTime(s)
	}
	require.True(t, ok, s)
	return v
}

// N1 4.1.5 to 4.1.7: what is a date, date with time, or time.
func TestParse(t *testing.T) {
	for _, s := range []string{"2015", "2015-02", "2015-02-28", "2016-02-29", "0001-01-01", "9999-12-31"} {
		v, ok := ParseDate(s)
		assert.True(t, ok, s)
		assert.Equal(t, s, v.String())
	}
	for _, s := range []string{"", "15", "2015-1", "2015-13", "2015-00", "2015-02-29", "2015-02-30", "0000", "2015-02-04T", "2015-", "20150204"} {
		_, ok := ParseDate(s)
		assert.False(t, ok, s)
	}
	for _, s := range []string{
		"2015", "2015-02", "2015-02-04T14", "2015-02-04T14:34", "2015-02-04T14:34:28", "2015-02-04T14:34:28.1",
		"2015-02-04T14:34:28.123456789Z", "2015-02-04T14:34+10:00", "2015-02-04T14-05:30",
	} {
		v, ok := ParseDateTime(s)
		assert.True(t, ok, s)
		assert.Equal(t, s, v.String())
	}
	for _, s := range []string{
		"2015-02-04T24:00", "2015-02-04T14:60", "2015-02-04T14:34:60", "2015-02-04T14:34:", "2015-02-04T14:34:28.",
		"2015-02T14:00", "2015-02-04T1", "2015-02-04 14:00", "2015-02-04T14:34:28+15:00", "2015-02-04T14:34:28+1000", "2015-02-04T14:3x",
	} {
		_, ok := ParseDateTime(s)
		assert.False(t, ok, s)
	}
	v, ok := ParseTime("T14:34:28.5")
	assert.True(t, ok)
	assert.Equal(t, "14:34:28.5", v.String())
	_, ok = ParseTime("14:34:28Z")
	assert.False(t, ok, "a time of day has no offset")
}

// N1 6.1.1 and 6.2: order, and where it is unknown.
func TestCompare(t *testing.T) {
	const unknown = 9
	for _, c := range []struct {
		a, b string
		want int
	}{
		{"2012", "2013", -1},
		{"2012-01", "2012", unknown},
		{"2012-02", "2013", -1},
		{"2012-04-15", "2012-04-15T10:00:00", unknown},
		{"2012-04-15", "2012-04-16T10:00:00", -1},
		{"2012-04-15T15:30:31", "2012-04-15T15:30:31.0", 0},
		{"2012-04-15T15:30:31", "2012-04-15T15:30:31.1", -1},
		{"2018-03-01T10:30", "2018-03-01T10:30:00", unknown},
		{"2012-04-15T15:00:00+02:00", "2012-04-15T16:00:00+03:00", 0},
		{"2012-04-15T23:30-05:00", "2012-04-16T04:30Z", 0},
		{"2012-04-15T15:00:00Z", "2012-04-15T10:00:00", unknown}, // some offset makes them the same
		{"2012-04-15T15:00:00Z", "2012-04-17T10:00:00", -1},      // none does
		{"2012-04-15T15:00:00Z", "2012-04-14T00:59:59", 1},       // none does: 14 hours east at most
		{"2012-04-15T23:00:00-11:00", "2012-04-16", unknown},
		{"2012-04-15T10+05:30", "2012-04-15T04Z", unknown}, // the hours overlap
		{"2012-04-15T10+05:30", "2012-04-15T10+05:30", 0},
		{"T12:00", "T12:00:00", unknown},
		{"T12:00:01", "T12:00:00.9", 1},
	} {
		for _, turn := range []int{1, -1} {
			a, b := value(t, c.a), value(t, c.b)
			if turn < 0 {
				a, b = b, a
			}
			order, known := Compare(a, b)
			if c.want == unknown {
				assert.False(t, known, "%s and %s", c.a, c.b)
				continue
			}
			assert.True(t, known, "%s and %s", c.a, c.b)
			assert.Equal(t, c.want*turn, order, "%s and %s", c.a, c.b)
		}
	}
}

// N1 6.7: arithmetic with the calendar.
func TestAdd(t *testing.T) {
	for _, c := range []struct{ a, n, unit, want string }{
		{"2014", "24", "months", "2016"},
		{"2014", "-24", "months", "2012"},
		{"2014", "23", "months", "2015"},
		{"2019-03-01", "24", "months", "2021-03-01"},
		{"2012-01-31", "1", "month", "2012-02-29"},
		{"2012-02-29", "1", "year", "2013-02-28"},
		{"1973-12-25", "7.7", "days", "1974-01-01"},
		{"1973-12-25", "1", "wk", "1974-01-01"},
		{"2016", "52", "weeks", "2016"},
		{"2016", "365", "days", "2017"},
		{"2016-03", "60", "days", "2016-05"},
		{"2016-03-01", "-1", "day", "2016-02-29"},
		{"2016-03-01T10", "90", "minutes", "2016-03-01T11"},
		{"2016-03-01T10:00", "1.5", "hours", "2016-03-01T11:00"},
		{"1973-12-25T00:00:00.000+10:00", "10", "ms", "1973-12-25T00:00:00.010+10:00"},
		{"1973-12-25T00:00:00.000+10:00", "0.1", "s", "1973-12-25T00:00:00.100+10:00"},
		{"1973-12-25T00:00:00+10:00", "0.25", "seconds", "1973-12-25T00:00:00.250+10:00"},
		{"T23:59:59", "2", "seconds", "00:00:01"},
		{"T00:30", "-1", "hour", "23:30"},
		{"T10", "90", "minutes", "11"},
	} {
		n, _ := new(big.Rat).SetString(c.n)
		u, ok := ParseUnit(c.unit)
		require.True(t, ok)
		got, ok := value(t, c.a).Add(n, u)
		assert.True(t, ok, "%s + %s %s", c.a, c.n, c.unit)
		assert.Equal(t, c.want, got.String(), "%s + %s %s", c.a, c.n, c.unit)
	}
	for _, c := range []struct{ a, n, unit string }{
		{"9999-12-31", "1", "day"}, {"0001-01-01", "-1", "day"}, {"9999", "1", "year"}, {"2000", "1000000000000000000000", "years"},
		{"2000-01-01T00:00:00Z", "1000000000000000000000", "s"},
	} {
		n, _ := new(big.Rat).SetString(c.n)
		u, _ := ParseUnit(c.unit)
		_, ok := value(t, c.a).Add(n, u)
		assert.False(t, ok, "%s + %s %s is out of range", c.a, c.n, c.unit)
	}
	for _, word := range []string{"a", "mo", "cm", "Day"} {
		_, ok := ParseUnit(word)
		assert.False(t, ok, word)
	}
	assert.False(t, Date.Fits(Hours))
	assert.False(t, Time.Fits(Days))
}

func TestConversions(t *testing.T) {
	at := time.Date(2024, 5, 6, 7, 8, 9, 123456789, time.FixedZone("", 7200))
	v := Of(at)
	assert.Equal(t, "2024-05-06T07:08:09.123+02:00", v.String())
	assert.Equal(t, "2024-05-06", v.AsDate().String())
	assert.Equal(t, DateTime, v.AsDate().AsDateTime().Kind())
	assert.Equal(t, Day, v.AsDate().Precision())
}

func FuzzDateTime(f *testing.F) {
	f.Add("2015-02-04T14:34:28.123+10:00", "2015T", int64(5))
	f.Fuzz(func(t *testing.T, a, b string, n int64) {
		x, ok := ParseDateTime(a)
		y, ok2 := ParseDateTime(b)
		if !ok || !ok2 {
			return
		}
		o1, k1 := Compare(x, y)
		o2, k2 := Compare(y, x)
		if k1 != k2 || o1 != -o2 {
			t.Errorf("%s and %s: %d %v, %d %v", a, b, o1, k1, o2, k2)
		}
		for u := Years; u <= Milliseconds; u++ {
			if z, ok := x.Add(big.NewRat(n, 3), u); ok {
				if _, ok := ParseDateTime(z.String()); !ok {
					t.Errorf("%s + %d/3 of %d is %s", a, n, u, z)
				}
			}
		}
	})
}
