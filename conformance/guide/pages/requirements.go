package pages

import (
	"fmt"
	"strings"
)

// Requirement is one requirement for a FHIR server of the project's reference.
type Requirement struct {
	ID, Level, Section string
	InForce            bool
	Asks               string // of one in force
	By                 string // what shows one in force that no check of the suite does; "" is a check
	Reason             string // why it is not in force
}

// Requirements is the page of them.
type Requirements struct {
	Total, InForce, Checked, Elsewhere int
	Why                                []Because // of those not in force
	Areas                              []*Area
}

// Because counts the requirements that are not in force for one reason.
type Because struct {
	Count  int
	Reason string
}

// Area is what the requirements of one kind are about.
type Area struct {
	Prefix, Title  string
	Total, InForce int
	Rows           []Requirement
}

// areas are the kinds of requirements, by what stands in their ids.
var areas = map[string]string{
	"HTTP": "Addresses, formats, headers", "READ": "Reading one resource", "WRITE": "Writing", "TX": "Batches and transactions",
	"OO": "Faults", "CAP": "What the server says of itself", "SRCH": "Searches", "SP": "Kinds of search parameters",
	"PAGE": "Answers of searches", "HIST": "History", "BULK": "Bulk export", "AUTH": "Who may ask", "SUB": "Announcements of changes",
	"DATA": "JSON and datatypes", "CONT": "What resources say", "TERM": "Codes", "PROF": "Profiles", "SEC": "Provenance and privacy",
	"ING": "Records that are received", "NDJ": "Conversion to files",
}

// requirements sorts them by area, in the order that they come in.
func requirements(all []Requirement) (out Requirements, err error) {
	byPrefix, seen, why := map[string]*Area{}, map[string]bool{}, map[string]int{}
	for _, r := range all {
		prefix := strings.TrimPrefix(r.ID[:strings.LastIndexByte(r.ID, '-')], "R-")
		if areas[prefix] == "" || seen[r.ID] || !r.InForce && r.Reason == "" {
			return out, fmt.Errorf("guide: the requirement %s is of no area, is there twice, or says not why it is not in force", r.ID)
		}
		seen[r.ID] = true
		a := byPrefix[prefix]
		if a == nil {
			a = &Area{Prefix: prefix, Title: areas[prefix]}
			byPrefix[prefix] = a
			out.Areas = append(out.Areas, a)
		}
		a.Rows = append(a.Rows, r)
		a.Total++
		out.Total++
		switch {
		case !r.InForce:
			if why[r.Reason] == 0 {
				why[r.Reason] = len(out.Why) + 1
				out.Why = append(out.Why, Because{Reason: r.Reason})
			}
			out.Why[why[r.Reason]-1].Count++
			continue
		case r.By == "":
			out.Checked++
		default:
			out.Elsewhere++
		}
		a.InForce++
		out.InForce++
	}
	return out, nil
}
