package generate

import "nailbridge/mapping/record"

// Names are made of plain words that together are obviously invented.
var (
	familyNames = []string{"Quillfern", "Mossgate", "Larkstone", "Thimblewood", "Bramblecask", "Saltwhistle", "Fernhollow-Pike", "O'Wickle", "Zäpfchenröder", "van der Kiesel", "Ørebark", "Tidmarsh Nettle"}
	givenNames  = []string{"Pim", "Wren", "Tansy", "Moss", "Juniper", "Alder", "Fennel", "Søster", "Bracken", "Clove"}
	prefixes    = []string{"Dr", "Mx", "Prof."}

	// plainTexts go anywhere; some hold what markup and JSON must escape.
	plainTexts = []string{
		"as agreed", "see the note of the day", "nothing further", "told twice, understood",
		`a <b>bold</b> & "quoted" remark`, "two lines\nof text", "naïve – ½ → ok 👣", "5 < 6 > 4",
	}
)

// staff are the people of the invented clinic.
var staff = []record.Person{
	{Registration: &record.Identifier{System: "https://register.thistledown.example/podiatry", Value: "POD0001"}, StaffKey: "st-1", Name: &record.Name{Family: "Thimblewood", Given: []string{"Tansy"}, Prefix: "Dr"}, Role: "podiatric-surgeon"},
	{Registration: &record.Identifier{System: "https://register.thistledown.example/podiatry", Value: "POD0002"}, Name: &record.Name{Family: "Larkstone", Given: []string{"Alder", "Wren"}}, Role: "podiatrist"},
	{Registration: &record.Identifier{System: "https://register.thistledown.example/nursing", Value: "N-77"}, StaffKey: "st-3", Name: &record.Name{Family: "Saltwhistle", Given: []string{"Juniper"}}, Role: "nurse"},
	{StaffKey: "st-4", Name: &record.Name{Family: "Mossgate", Given: []string{"Clove"}}, Role: "foot-care-assistant"},
	{StaffKey: "st-5", Name: &record.Name{Family: "Bramblecask"}, Role: "clerk"},
	{Registration: &record.Identifier{System: "https://register.thistledown.example/medicine", Value: "M 1234567"}, Name: &record.Name{Family: "Ørebark", Given: []string{"Moss"}}, Role: "physician"},
}
