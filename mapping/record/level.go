package record

// Level is how much a flag matters (D2.4).
type Level string

// The levels, high to low.
const (
	LevelCritical Level = "critical" // a DetectedIssue of severity high
	LevelWarning  Level = "warning"  // a DetectedIssue of severity moderate
	LevelNote     Level = "note"     // in the answer only
)

// Rank orders levels: higher matters more.
func (l Level) Rank() int {
	switch l {
	case LevelCritical:
		return 3
	case LevelWarning:
		return 2
	case LevelNote:
		return 1
	}
	return 0
}
