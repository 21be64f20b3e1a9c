package mapping

import (
	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	vpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/device_go_proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/safety"
)

// bridgeName is the name of this program.
const bridgeName = "Nailbridge"

// device builds the bridge as it works for the clinic: what computed the
// figures and wrote the resources (D5.4), with what a reader needs to repeat it.
func (b *builder) device() {
	text := r4.NewText("Software that wrote these resources").Row("Name", bridgeName).Row("Status", "active")
	out := &vpb.Device{
		Id:     r4.ID(b.deviceRef().ID),
		Status: &vpb.Device_StatusCode{Value: cpb.FHIRDeviceStatusCode_ACTIVE},
		DeviceName: []*vpb.Device_DeviceName{{
			Name: r4.String(bridgeName),
			Type: &vpb.Device_DeviceName_TypeCode{Value: cpb.DeviceNameTypeCode_USER_FRIENDLY_NAME},
		}},
		Type:  b.element("bridge-device"),
		Owner: r4.Ref(b.orgRef()),
	}
	for _, v := range b.s.versions() {
		out.Version = append(out.Version, &vpb.Device_Version{Type: r4.CodeableConcept(v[0]), Value: r4.String(v[1])})
		text.Row(v[0], v[1])
	}
	for _, p := range b.s.choices() {
		out.Property = append(out.Property, &vpb.Device_Property{
			Type: r4.CodeableConcept(p[0]), ValueCode: []*dpb.CodeableConcept{r4.CodeableConcept(p[1])},
		})
		text.Row(p[0], p[1])
	}
	out.Text = text.Narrative()
	b.perPatient().add(out)
}

// versions lists, by name, the versions of what content depends on beside the
// records (design, "The heart").
func (s Settings) versions() [][2]string {
	return [][2]string{{"Mapping", Version}, {"Code maps", s.Terms.Version()}}
}

// choices lists, by name, the settings that content depends on: which standard
// codes may leave (D7.1), the set of dose limits, and the convention of weight
// where one was chosen (C-7).
func (s Settings) choices() [][2]string {
	limits, hcpcs := "no ceiling chosen", "off"
	if f := s.Clinic.Formulary; f != nil {
		limits = f.Name
		if f.ApprovedBy != "" {
			limits += " of " + f.Date
		}
	}
	if s.Codes.HCPCS {
		hcpcs = "on"
	}
	out := [][2]string{{"SNOMED CT codes", s.Codes.SnomedCT.String()}, {"HCPCS modifiers", hcpcs}, {"Dose limits", limits}}
	if w := s.Clinic.WeightConvention; w != safety.WeightRecorded {
		out = append(out, [2]string{"Weight of dose limits", string(w)})
	}
	if c := s.Terms.Confirmed(); c != nil { // D7.2
		out = append(out, [2]string{"Confirmed codes", c.String()})
	}
	return out
}
