package record

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// surgeryText is a short surgery record that decodes without a finding.
const surgeryText = `{"schemaVersion":"1.0","clinic":"c1","record":"s1","revision":1,"savedAt":"2024-06-03T11:00:00+01:00",
"kind":"surgery","status":"final","author":{"staffKey":"k7","role":"podiatrist"},
"patient":{"identifier":{"system":"urn:oid:1.2.36.1","value":"P 1"},"birthDate":"1990-02-28"},"sharing":"agreed",
"surgery":{"outcome":"done","start":"2024-06-03T10:00+01:00","toes":[{"side":"left","digit":"1",
"block":{"agents":[{"agent":"lidocaine","percent":2,"vasoconstrictor":"none","mL":2.50,"at":"2024-06-03T10:01+01:00"}]},
"tourniquet":"used","tourniquets":[{"device":"digital-ring","on":"2024-06-03T10:05+01:00","off":"2024-06-03T10:20+01:00"}],
"borders":[{"border":"medial","procedure":"partial-avulsion","matrix":{"method":"chemical-ablation","applications":[{"seconds":60}]}}]}]}}`

func TestDecodeReadsARecord(t *testing.T) {
	d := Decode([]byte(surgeryText))
	assert.Empty(t, d.Findings)
	assert.False(t, d.NotJSON)
	toe := d.Record.Surgery.Toes[0]
	assert.Equal(t, "2.50", toe.Block.Agents[0].ML.String(), "a decimal keeps its text")
	assert.Equal(t, "2024-06-03T10:20+01:00", toe.Tourniquets[0].Off.Text)
	assert.Equal(t, int64(1), *d.Record.Revision)
}
