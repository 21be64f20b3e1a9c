package config

// One is the clinic of the form for one.
func One(d Document) Clinic { return d.one() }
