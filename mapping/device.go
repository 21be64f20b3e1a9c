package mapping

import (
	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	vpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/device_go_proto"

	"nailbridge/mapping/internal/r4"
)

// bridgeName is the name of this program.
const bridgeName = "Nailbridge"

// device builds the bridge as it works for the clinic: what computed the
// figures and wrote the resources (D5.4). Its versions are those that a reader
// needs to repeat a figure.
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
		out.Version = append(out.Version, &vpb.Device_Version{Type: r4.CodeableConcept(v.of), Value: r4.String(v.is)})
		text.Row(v.of, v.is)
	}
	out.Text = text.Narrative()
	b.perPatient().add(out)
}

// version is the version of one thing that content depends on.
type version struct{ of, is string }

// versions lists what content depends on beside the records: the mapping, the
// code settings and the set of dose limits (D7, design "The heart").
func (s Settings) versions() []version {
	out := []version{{"Mapping", Version}, {"SNOMED CT", s.Codes.SnomedCT.String()}, {"HCPCS modifiers", onOff(s.Codes.HCPCS)}}
	if f := s.Clinic.Formulary; f != nil {
		return append(out, version{"Dose limits", f.Name})
	}
	return append(out, version{"Dose limits", "no ceiling chosen"})
}

func onOff(b bool) string {
	if b {
		return "on"
	}
	return "off"
}
