package notify

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"dryhold/config"
	"dryhold/internal/alarm"
)

// schema compiles the shipped schema of notices; formats count.
func schema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(strings.NewReader(config.NoticeSchema()))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("notice.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("notice.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// noticesOfAllSorts are invented notices as the daemon makes them.
func noticesOfAllSorts() []alarm.Notice {
	linked, digest := grouped(), grouped()
	linked.Links = []alarm.Link{{Text: "Acknowledge warm/loft", URL: "https://hearth.lan/a/abc"}}
	digest.Event, digest.Alarm, digest.Items = alarm.Digest, alarm.Key{}, nil
	lot := notice(1, alarm.Raised)
	lot.Alarm = alarm.Key{Kind: alarm.Quality, Lot: "brown-rice-1"}
	site := notice(1, alarm.Raised)
	site.Alarm = alarm.Key{Kind: alarm.Delivery}
	sensor := notice(1, alarm.Returned)
	sensor.Alarm = alarm.Key{Kind: alarm.Silent, Room: "loft", Sensor: "loft-1"}
	all := []alarm.Notice{notice(1, alarm.Raised), notice(1, alarm.Returned), grouped(), linked, digest, lot, site, sensor}
	return append(all, alarm.Drilling("Larch House", "mara", "mara/drill/2031", larchTime()))
}

// What a webhook gets validates against the schema that ships.
func TestNoticesFitTheSchema(t *testing.T) {
	s := schema(t)
	r := newReceiver(t, false)
	w := webhook(t, r, "/")
	for i, n := range noticesOfAllSorts() {
		if err := w.Send(soon(t), n); err != nil {
			t.Fatal(err)
		}
		doc, err := jsonschema.UnmarshalJSON(strings.NewReader(r.taken()[i].Body))
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Validate(doc); err != nil {
			t.Errorf("notice %s (%s): %v\n%s", n.Key, n.Event, err, r.taken()[i].Body)
		}
	}
}

// The schema refuses what is no notice, so that fitting it means something.
func TestSchemaRefuses(t *testing.T) {
	s := schema(t)
	f := func(spoil func(map[string]any)) {
		t.Helper()
		body, err := json.Marshal(grouped())
		if err != nil {
			t.Fatal(err)
		}
		var doc map[string]any
		if err := json.Unmarshal(body, &doc); err != nil {
			t.Fatal(err)
		}
		spoil(doc)
		if s.Validate(doc) == nil {
			t.Errorf("accepted %v", doc)
		}
	}
	first := func(doc map[string]any, list string) map[string]any { return doc[list].([]any)[0].(map[string]any) }
	f(func(doc map[string]any) { delete(doc, "key") })
	f(func(doc map[string]any) { doc["key"] = "" })
	f(func(doc map[string]any) { doc["at"] = "yesterday" })
	f(func(doc map[string]any) { doc["priority"] = 4.0 })
	f(func(doc map[string]any) { doc["costs"] = nil })
	f(func(doc map[string]any) { doc["alarm"] = "warm/loft" })
	f(func(doc map[string]any) { delete(first(doc, "costs"), "lot") })
	f(func(doc map[string]any) { delete(first(doc, "items"), "alarm") })
	f(func(doc map[string]any) { first(doc, "items")["since"] = "" })
	f(func(doc map[string]any) { doc["links"] = []any{map[string]any{"text": "x"}} })
}

// Every field of a notice is described, and nothing else is.
func TestSchemaDescribesEveryField(t *testing.T) {
	var doc struct {
		Properties map[string]any
		Defs       map[string]struct {
			Properties map[string]any
			Items      struct{ Properties map[string]any }
		} `json:"$defs"`
	}
	if err := json.Unmarshal([]byte(config.NoticeSchema()), &doc); err != nil {
		t.Fatal(err)
	}
	f := func(of any, described map[string]any) {
		t.Helper()
		fields := map[string]bool{}
		for i := range reflect.TypeOf(of).NumField() {
			name, _, _ := strings.Cut(reflect.TypeOf(of).Field(i).Tag.Get("json"), ",")
			if name == "-" {
				continue
			}
			fields[name] = true
			if _, ok := described[name]; !ok {
				t.Errorf("%T: the schema does not describe %q", of, name)
			}
		}
		for name := range described {
			if !fields[name] {
				t.Errorf("%T: the schema describes %q, which is not there", of, name)
			}
		}
	}
	f(alarm.Notice{}, doc.Properties)
	f(alarm.Item{}, doc.Defs["item"].Properties)
	f(alarm.Key{}, doc.Defs["alarm"].Properties)
	f(alarm.LotCost{}, doc.Defs["costs"].Items.Properties)
}
