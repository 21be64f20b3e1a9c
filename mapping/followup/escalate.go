package followup

// Escalation says how soon a flag calls for somebody to see the patient.
type Escalation string

// The grades of escalation (C-58; D2.3).
const (
	EscalateNow     Escalation = "now"
	EscalateSameDay Escalation = "same-day"
	EscalateSoon    Escalation = "soon"
)

var escalations = map[string]Escalation{
	"tourniquet-release-unrecorded": EscalateNow, "toe-dusky": EscalateNow, "toe-white": EscalateNow, "toe-cold": EscalateNow,
	"perfusion-not-returned": EscalateNow, "urgency-now": EscalateNow,

	"spreading-redness": EscalateSameDay, "pus": EscalateSameDay, "fever": EscalateSameDay, "bleeding-through": EscalateSameDay,
	"throbbing-pain": EscalateSameDay, "toe-numb": EscalateSameDay, "infection-diagnosed": EscalateSameDay,
	"urgency-same-day": EscalateSameDay, "infection-sign-at-risk": EscalateSameDay,

	"unhealed-late": EscalateSoon,
}

// EscalationOf is the grade of a flag by its code; "" for flags that call for
// nobody.
func EscalationOf(code string) Escalation { return escalations[code] }
