package hub

// The discovery convention: one message for each thing, with all its values as
// components (MQTT integration of Home Assistant, "Device discovery payload",
// www.home-assistant.io/integrations/mqtt, read in November 2026). Keys are
// written out: abbreviations are for small boards.
type (
	announced struct {
		Device     device               `json:"device"`
		Origin     origin               `json:"origin"`
		Mode       string               `json:"availability_mode"`
		StateTopic string               `json:"state_topic"`
		QoS        int                  `json:"qos"`
		Components map[string]component `json:"components"`
	}
	device struct {
		Identifiers []string `json:"identifiers"`
		Name        string   `json:"name"`
		Model       string   `json:"model"`
		Version     string   `json:"sw_version,omitempty"`
		Area        string   `json:"suggested_area,omitempty"`
		Via         string   `json:"via_device,omitempty"`
		Page        string   `json:"configuration_url,omitempty"`
	}
	origin struct {
		Name    string `json:"name"`
		Version string `json:"sw_version,omitempty"`
	}
	availability struct {
		Topic    string `json:"topic"`
		Template string `json:"value_template,omitempty"`
	}
	component struct {
		Platform string `json:"platform"`
		UniqueID string `json:"unique_id"`
		Name     string `json:"name"`
		Class    string `json:"device_class,omitempty"`
		State    string `json:"state_class,omitempty"`
		Unit     string `json:"unit_of_measurement,omitempty"`
		Digits   *int   `json:"suggested_display_precision,omitempty"`
		Template string `json:"value_template"`
		Expires  int    `json:"expire_after"` // s
		// Available are what must all say online, by the defaults of the convention.
		Available []availability `json:"availability"`
	}
)

// Origin names the program in what it announces.
const Origin = "dryhold"

// announcement is the discovery message of a thing.
func (c Config) announcement(t thing) string {
	a := announced{
		Device: device{Identifiers: []string{c.unique(t)}, Name: t.label, Model: t.model, Version: c.Version},
		Origin: origin{Name: Origin, Version: c.Version},
		Mode:   "all", StateTopic: c.stateTopic(t), QoS: 1, Components: map[string]component{},
	}
	if c.Page != "" {
		a.Device.Page = c.Page + t.page
	}
	if t.kind == room {
		a.Device.Area = t.name
	}
	if t.kind != store {
		a.Device.Via = c.unique(thing{kind: store})
	}
	for _, f := range t.facts {
		x := component{
			Platform: "sensor", UniqueID: c.unique(t) + "_" + f.id, Name: f.name, Class: f.class, Unit: f.unit,
			Template: "{{ value_json." + f.key + " }}", Expires: int(Expires.Seconds()),
			// null would do for numbers; a binary sensor may keep its last state then,
			// and a text would read None. So what is not known is not available.
			Available: []availability{{Topic: c.Status}, {c.stateTopic(t), "{{ 'offline' if value_json." + f.key + " is none else 'online' }}"}},
		}
		switch f.is {
		case problem:
			x.Platform, x.Class = "binary_sensor", "problem"
		case float:
			x.State, x.Digits = "measurement", new(min(1, f.digits))
		case integer:
			x.State = "measurement"
		}
		a.Components[f.id] = x
	}
	return marshal(a)
}
