package generate

import (
	"time"

	"nailbridge/mapping/record"
)

// rule makes one member of one type plausible. What it leaves out is drawn by
// the type of the value alone.
type rule struct {
	chance   float64             // of being there; 0: usual
	weights  map[record.Code]int // added to the weight of 1 of each listed value
	from, to float64             // of a decimal
	digits   int                 // behind the point, at most
	decimals []string            // in place of from and to
	numbers  []int64
	texts    []string
	items    int           // of a list, at most
	after    time.Duration // of a time, from when the record's matter began
	until    time.Duration
	day      bool // a date without time of day
}

const (
	day  = 24 * time.Hour
	year = 365 * day
)

type weights = map[record.Code]int

var mostlyNo = weights{"no": 12}

// rules are by "Type.member". A test holds each to a member that exists.
var rules = map[string]rule{
	"Record.schemaVersion": {chance: 0.95},
	"Record.historical":    {chance: never}, // this and the trees are set by the shaping
	"Record.surgery":       {chance: never},
	"Record.review":        {chance: never},
	"Record.contact":       {chance: never},
	"Record.merge":         {chance: apart},

	"Identifier.system": {chance: 0.88},
	"Identifier.value":  {chance: 0.88},
	"Name.prefix":       {chance: 0.3},
	"Name.family":       {chance: 0.95},

	"Patient.birthDate":   {day: true, after: -85 * year, until: -8 * year},
	"Patient.deathDate":   {chance: never},
	"Patient.addressLine": {texts: []string{"1 Quillfern Lane", "27 Mossgate Row", "Flat 3, 8 Larkstone Court"}},
	"Patient.city":        {texts: []string{"Quillbury", "Mossford", "Larkstow"}},
	"Patient.postalCode":  {texts: []string{"QX0 0AA", "ZZ99 3VZ", "00000"}},
	"Patient.phone":       {texts: []string{"+44 1632 960001", "01632 960 123", "555-0142"}},

	"Record.safeguardingNote": {chance: rare, texts: []string{"colleague told of a concern"}},
	"Record.withheldNote":     {chance: rare, texts: []string{"not for others, at the patient's wish"}},

	"Surgery.incision":     {chance: 0.6, after: 12 * time.Minute, until: 25 * time.Minute},
	"Surgery.assistant":    {chance: 0.4},
	"Surgery.chaperone":    {chance: 0.3},
	"Surgery.measurements": {chance: 0.3},
	"Surgery.vascular":     {chance: 0.2},
	"Surgery.letter":       {weights: weights{"agreed": 8}},
	"Surgery.interpreter":  {chance: 0.15},
	"Surgery.tissueSent":   {weights: mostlyNo},
	"Surgery.specimens":    {chance: 0.15, items: 2},
	"Surgery.antibiotics":  {chance: 0.1, items: 2},
	"Surgery.photos":       {chance: 0.2, items: 2},

	"Step.status": {weights: weights{"done": 16}},
	"Step.at":     {until: 40 * time.Minute},

	"Measurements.heightCm":        {from: 120, to: 199},
	"Measurements.glucoseMmolPerL": {from: 3.5, to: 14, digits: 1},
	"Measurements.systolicMmHg":    {from: 95, to: 180},
	"Measurements.diastolicMmHg":   {from: 55, to: 105},
	"Measurements.at":              {after: -30 * time.Minute, until: -time.Minute},
	"Vascular.leftArmMmHg":         {from: 100, to: 170},
	"Vascular.rightArmMmHg":        {from: 100, to: 170},
	"Vascular.legs":                {items: 2},
	"Vascular.at":                  {after: -30 * time.Minute, until: -time.Minute},
	"Leg.dorsalisPedisMmHg":        {from: 40, to: 210},
	"Leg.posteriorTibialMmHg":      {from: 40, to: 210},
	"Leg.toeMmHg":                  {from: 20, to: 140},
	"Leg.refillSeconds":            {from: 1, to: 5, digits: 1},
	"Interpreter.language":         {texts: []string{"Larkish", "sign language"}},
	"Instruments.sterileSet":       {texts: []string{"SET-0041", "SET-0042"}},
	"Instruments.singleUseLot":     {chance: 0.3},
	"Counts.swabs":                 {weights: weights{"yes": 12}},
	"Counts.sharps":                {weights: weights{"yes": 12}},
	"Advice.given":                 {weights: weights{"yes": 12}},
	"Advice.text":                  {chance: 0.3, texts: []string{"keep dry for a day, foot up", "call for throbbing pain or spreading redness"}},
	"Home.contactForTrouble":       {texts: []string{"01632 960002, day and night"}},
	"Home.kitText":                 {chance: 0.3, texts: []string{"three dressings and saline"}},
	"Specimen.at":                  {until: time.Hour},
	"Specimen.labNumber":           {chance: 0.6},
	"Specimen.resultText":          {chance: 0.4, texts: []string{"Staphylococcus aureus", "mixed skin flora"}},
	"Antibiotic.agent":             {weights: weights{"flucloxacillin": 2}},
	"Antibiotic.text":              {chance: 0.2, texts: []string{"capsules"}},
	"Antibiotic.doseMg":            {decimals: []string{"250", "500", "300", "100"}},
	"Antibiotic.timesPerDay":       {numbers: []int64{1, 2, 3, 4}},
	"Antibiotic.days":              {numbers: []int64{3, 5, 7}},
	"Antibiotic.from":              {day: true, until: day},
	"Photo.consent":                {weights: weights{"agreed": 3}},
	"Photo.at":                     {until: time.Hour},
	"Photo.title":                  {texts: []string{"before", "after"}},
	"Review.specimens":             {chance: 0.1, items: 2},
	"Review.antibiotics":           {chance: 0.1, items: 2},
	"Review.footwear":              {chance: 0.4},
	"Review.photos":                {chance: 0.2, items: 2},
	"Contact.specimens":            {chance: 0.25, items: 1},
	"Contact.antibiotics":          {chance: 0.3, items: 2},
	"Contact.photos":               {chance: 0.1, items: 1},
	"BorderFindings.exudate":       {chance: 0.4, weights: weights{"none": 4, "serous": 4}},
	"BorderFindings.opened":        {chance: 0.3, weights: weights{"no": 3}},
	"Tourniquet.size":              {chance: 0.3, texts: []string{"small", "large"}},
	"Consent.capacity":             {chance: 0.3, weights: weights{"has-capacity": 6}},
	"Consent.adultPresent":         {chance: 0.2},
	"Indication.earlierSurgery":    {chance: 0.5, weights: mostlyNo},

	"Surgery.outcome":         {chance: 0.97, weights: weights{"done": 20}},
	"Surgery.outcomeReason":   {chance: never},
	"Surgery.start":           {chance: 0.95, until: time.Minute},
	"Surgery.end":             {after: 30 * time.Minute, until: 90 * time.Minute},
	"Surgery.toes":            {chance: 0.99, items: 1},
	"Surgery.protocol":        {chance: 0.7},
	"Surgery.followUpStopped": {chance: rare},
	"Surgery.note":            {chance: 0.3, texts: []string{"Nail plate thick; no difficulty.", "Patient calm, music on.", "Second look at the spicule, removed whole."}},
	"Surgery.dressingText":    {chance: 0.3, texts: []string{"tubular gauze over non-adherent pad", "two layers"}},
	"Surgery.plannedReviews":  {chance: 0.5, items: 3},

	"Indication.condition":   {weights: weights{"ingrowing-toenail": 14, "infected-ingrowing-toenail": 4}},
	"Indication.since":       {chance: 0.6, day: true, after: -2 * year, until: -20 * day},
	"Indication.text":        {chance: 0.4, texts: []string{"recurrent, both borders", "after tight shoes", "third episode this year"}},
	"Indication.stage":       {chance: 0.6},
	"Indication.stageSystem": {chance: 0.6},

	"Risks.pregnant":                  {weights: mostlyNo},
	"Risks.diabetes":                  {weights: mostlyNo},
	"Risks.arterialDisease":           {weights: mostlyNo},
	"Risks.raynaud":                   {weights: mostlyNo},
	"Risks.neuropathy":                {weights: mostlyNo},
	"Risks.anticoagulant":             {weights: mostlyNo},
	"Risks.immuneSuppression":         {weights: mostlyNo},
	"Risks.cardiacDisease":            {weights: mostlyNo},
	"Risks.liverDisease":              {weights: mostlyNo},
	"Risks.lactating":                 {weights: mostlyNo},
	"Risks.sickleCell":                {weights: mostlyNo},
	"Risks.bypass":                    {weights: mostlyNo},
	"Risks.renalReplacement":          {weights: mostlyNo},
	"Risks.earlierUlcer":              {weights: mostlyNo},
	"Risks.earlierAmputation":         {weights: mostlyNo},
	"Risks.deformity":                 {weights: mostlyNo},
	"Risks.callus":                    {weights: mostlyNo},
	"Risks.activeFootProblem":         {weights: mostlyNo},
	"Risks.spreadingInfection":        {weights: mostlyNo},
	"Risks.otherAnaestheticWithin24h": {weights: mostlyNo},
	"Risks.ankleBrachialIndex":        {chance: 0.3, from: 0.4, to: 1.4, digits: 2},
	"Risks.overrideReason":            {chance: 0.1, texts: []string{"pain out of proportion, agreed with the patient", "second opinion sought"}},

	"Allergies.status":       {weights: weights{"none-known": 5}},
	"Allergies.items":        {chance: 0.4, items: 3},
	"Allergy.text":           {chance: 0.5, texts: []string{"adhesive of an old plaster", "Plum", "nickel"}},
	"Allergy.reaction":       {texts: []string{"rash", "itching", "swelling of the lips"}},
	"Allergy.refuted":        {chance: 0.12},
	"Weight.kg":              {from: 28, to: 118, digits: 1, chance: 0.95},
	"Weight.at":              {chance: 0.6, after: -9 * day},
	"Consent.status":         {weights: weights{"given": 14}},
	"Consent.givenBy":        {weights: weights{"patient": 4}},
	"Consent.at":             {after: -2 * day, until: -2 * time.Minute},
	"Consent.for":            {chance: 0.9, items: 2},
	"ConsentItem.side":       {chance: 0.95},
	"ConsentItem.digit":      {chance: 0.95},
	"ConsentItem.border":     {chance: 0.9},
	"Events.none":            {chance: 0.8},
	"Events.items":           {chance: 0.2, items: 2},
	"Event.text":             {chance: 0.5, texts: []string{"short, lying down", "needed two cartridges", "lamp failed"}},
	"PlannedReview.key":      {chance: 0.6},
	"PlannedReview.step":     {chance: 0.4},
	"PlannedReview.at":       {chance: 0.9, after: 2 * day, until: 80 * day},
	"PlannedReview.with":     {chance: 0.7},
	"FollowUpStopped.at":     {chance: 0.6, after: day, until: 20 * day, day: true},
	"PlannedReview.mode":     {weights: weights{"in-person": 4}},
	"PlannedReview.booked":   {weights: weights{"yes": 3}},
	"FollowUpStopped.reason": {chance: 0.6, texts: []string{"moved abroad", "care taken over elsewhere"}},

	"Toe.block":       {chance: 0.95},
	"Toe.tourniquet":  {weights: weights{"used": 4}},
	"Toe.tourniquets": {chance: 0.9, items: 2},
	"Toe.borders":     {chance: 0.96, items: 2},
	"Toe.digit":       {weights: weights{"1": 14}},

	"Block.agents":          {chance: 0.95, items: 2},
	"Block.effective":       {weights: weights{"yes": 8}},
	"Agent.agent":           {chance: 0.97, weights: weights{"lidocaine": 6, "mepivacaine": 4}},
	"Agent.percent":         {chance: 0.95, decimals: []string{"0.25", "0.5", "0.75", "1", "1.0", "2", "2", "3", "4"}},
	"Agent.mL":              {chance: 0.95, from: 0.5, to: 4.5, digits: 2},
	"Agent.vasoconstrictor": {weights: weights{"none": 5}},
	"Agent.ratio":           {numbers: []int64{80000, 100000, 200000}},
	"Agent.batch":           {texts: []string{"LOT-Q0017", "B 77/3", "x1"}},
	"Agent.expiry":          {day: true, after: -40 * day, until: 2 * year},
	"Agent.at":              {after: 2 * time.Minute, until: 9 * time.Minute, chance: 0.9},
	"Agent.giver":           {chance: 0.6},
	"Tourniquet.on":         {chance: 0.95, after: 10 * time.Minute, until: 14 * time.Minute},
	"Tourniquet.off":        {chance: 0.93, after: 18 * time.Minute, until: 36 * time.Minute},
	"Tourniquet.colour":     {texts: []string{"bright green", "red", "white"}},
	"Tourniquet.deviceText": {chance: 0.3, texts: []string{"ring with lanyard", "size M"}},
	"Tourniquet.remover":    {chance: 0.6},
	"Tourniquet.countedOut": {weights: weights{"yes": 8}},

	"Border.border":           {chance: 0.97},
	"Border.outcome":          {chance: 0.15},
	"Border.procedure":        {chance: 0.95},
	"Border.widthMm":          {chance: 0.6, from: 1, to: 6, digits: 1},
	"Matrix.method":           {weights: weights{"chemical-ablation": 12}},
	"Matrix.agent":            {weights: weights{"phenol": 5}},
	"Matrix.percent":          {from: 10, to: 95, digits: 1},
	"Matrix.applications":     {chance: 0.9, items: 3},
	"Matrix.batch":            {texts: []string{"PH-0042", "N9"}},
	"Matrix.expiry":           {day: true, after: -40 * day, until: 2 * year},
	"Matrix.curettage":        {chance: 0.5},
	"Application.seconds":     {chance: 0.92, from: 15, to: 110},
	"Application.at":          {chance: 0.5, after: 15 * time.Minute, until: 25 * time.Minute},
	"Application.key":         {chance: 0.4},
	"Flush.mL":                {from: 1, to: 20, digits: 1},
	"Perfusion.refillSeconds": {from: 0.5, to: 5, digits: 1},
	"Perfusion.colour":        {weights: weights{"pink": 12}},
	"Perfusion.returned":      {weights: weights{"yes": 12}},
	"Perfusion.cold":          {weights: mostlyNo},
	"Perfusion.numb":          {weights: mostlyNo},
	"Perfusion.at":            {chance: 0.5, after: 25 * time.Minute, until: 50 * time.Minute},

	"Review.activity":        {chance: never},
	"Review.attendance":      {chance: 0.97},
	"Review.cancelledBy":     {chance: never},
	"Review.reason":          {chance: never, texts: []string{"unwell", "transport failed", "clinic closed by snow"}},
	"Review.at":              {chance: 0.97, until: time.Minute},
	"Review.toes":            {chance: 0.9, items: 1},
	"Review.nextReview":      {chance: 0.3},
	"Review.allergies":       {chance: 0.15},
	"Review.followUpStopped": {chance: rare},
	"Review.note":            {chance: 0.3, texts: []string{"healing well", "mother asks about sport", "see again if worse"}},

	"ToeFindings.pain":         {numbers: []int64{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10}},
	"ToeFindings.perfusion":    {chance: 0.5},
	"ToeFindings.borders":      {chance: 0.95, items: 2},
	"BorderFindings.border":    {chance: 0.97},
	"BorderFindings.healedOn":  {chance: 0.25, day: true, after: -5 * day},
	"BorderFindings.discharge": {chance: 0.2},
	"BorderFindings.infection": {chance: 0.6},
	"BorderFindings.regrowth":  {chance: 0.4, weights: weights{"none": 4}},
	"Infection.findings":       {weights: weights{"none": 8, "redness": 3}, items: 3},
	"Infection.diagnosis":      {weights: weights{"no-infection": 6}, chance: 0.6},
	"Discharge.at":             {day: true, after: -day, until: time.Hour},
	"Discharge.reason":         {weights: weights{"healed": 8}},
	"Discharge.text":           {chance: 0.3, texts: []string{"told to come back if sore", "by letter"}},
	"Discharge.watchGoesOn":    {chance: 0.15},

	"Contact.activity":        {chance: never},
	"Contact.at":              {chance: 0.96, until: time.Minute},
	"Contact.countsAsReview":  {chance: 0.25},
	"Contact.toes":            {chance: 0.5, items: 1},
	"Contact.nextReview":      {chance: 0.5},
	"Contact.followUpStopped": {chance: rare},
	"Contact.urgency":         {weights: weights{"soon": 3, "routine": 3}},
	"Contact.reasonText":      {chance: 0.5, texts: []string{"dressing came off", "throbs at night", "may I swim?"}},
	"Contact.advice":          {texts: []string{"keep dry and raised", "come today", "change the dressing daily"}},
	"Contact.outcome":         {chance: 0.5, texts: []string{"reassured", "booked for tomorrow"}},
}
