// Package settings reads the configuration and the catalog from YAML bytes
// into checked values. It does no file I/O: whoever calls it brings the bytes
// and resolves the paths that the configuration names (relative ones stand
// relative to the configuration file). A file with mistakes gives all of them
// at once, each with file, line, column and the way to mend it.
package settings

import (
	"slices"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/dispatch"
	"dryhold/internal/forecast"
	"dryhold/internal/secret"
	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

// Settings is a whole checked configuration. Treat it as immutable: it is
// shared by all parts of the daemon.
type Settings struct {
	// Site names the household; it is the `site` label everywhere.
	Site string
	// Zone is the time zone in which pages and messages show times; inside
	// the program all times are UTC. Never nil.
	Zone *time.Location
	// Log is what goes to the log; nil where nothing is said of it.
	Log    *LogLevels
	Broker Broker
	HTTP   HTTP
	// Metrics says what /metrics shows beyond rooms.
	Metrics Metrics
	// Rooms lists the rooms in the order of the file, each with its rules.
	Rooms []Room
	// AcceptNewRooms lets a reading from a room that is not listed open that
	// room with the default rules. Otherwise such a reading is counted as an
	// error.
	AcceptNewRooms bool
	// Sensors lists the sensors with a room or a stale limit of their own.
	// Sensors not listed are taken as they come, with the limit Stale.
	Sensors []Sensor
	// Lots lists the lots with limits of their own.
	Lots []Lot
	// SiteRules are the rules of the whole site, by kind; one switched off has
	// none.
	SiteRules map[alarm.Kind]alarm.Rule
	// Outdoor is the room whose readings are of the air outdoors; empty for
	// none.
	Outdoor string
	// Stale is how long a sensor may send nothing before its values count as
	// unknown and the alarm silent starts its delay; 1 minute to 30 days.
	Stale time.Duration
	// Topics says how messages are read, in the order of the file. At least
	// one.
	Topics []wire.Mapping
	// Mail is the mail account for notices; nil when none is set.
	Mail   *Mail
	Notify Notify
	// Influx is where everything is exported to; nil for nowhere.
	Influx *Influx
	// Router is where alarms that stand are pushed to; nil for nowhere.
	Router *Router
	// Hub says what is announced to home-automation hubs; nil for nothing.
	Hub *Hub
	// Backup is where the daemon backs everything up by itself; nil for nowhere.
	Backup *Backup
	// Catalog names catalog files that extend the shipped one, in order;
	// later files override classes of the same id.
	Catalog []string
	// Eating is what the household eats of each food class, for the rotation
	// plan; whether the catalog knows a class, CheckFoods says.
	Eating []Eating
	// Persons are whom the store is to feed; nil when it is not said.
	Persons *Persons
}

// Broker is the MQTT broker dryhold reads from. Exactly one of Embedded and
// URL is set.
type Broker struct {
	// Embedded is set when dryhold runs a broker of its own.
	Embedded *Embedded
	// URL of an external broker: mqtt://host:port or, over TLS,
	// mqtts://host:port (also tcp:// and tls:// or ssl://), without
	// credentials. The port may be left out: 1883, over TLS 8883.
	URL string
	// ClientID is the stable MQTT client id to which the broker keeps the
	// persistent session.
	ClientID string
	// Root begins dryhold's own topics; see Topic.
	Root string
	// Share is the group of daemons among which the broker deals out readings;
	// empty where this one gets all. Only with a URL.
	Share string
	// UsernameFile and PasswordFile name files that hold the credentials for
	// the external broker; both or neither.
	UsernameFile, PasswordFile string
	// CAFile, CertFile and KeyFile name PEM files: the authority to trust
	// instead of the system's, and the client certificate with its key for
	// mutual TLS. Only with a URL over TLS.
	CAFile, CertFile, KeyFile string
}

// Embedded is the broker inside dryhold.
type Embedded struct {
	// Listen is host:port. Off loopback there are users, or both credential
	// files are set; and TLS is, unless AllowPlain.
	Listen string
	// UsernameFile and PasswordFile name files with the credentials of one
	// client that may use every topic; both or neither.
	UsernameFile, PasswordFile string
	// Users are further clients. Where there are neither they nor credential
	// files, nobody is asked who it is.
	Users []BrokerUser
	// TLS is set where the broker speaks TLS, and only TLS.
	TLS *ServerTLS
	// AllowPlain permits a Listen address off loopback without TLS.
	AllowPlain bool
}

// HTTP is the page, /metrics and /healthz.
type HTTP struct {
	// Listen is host:port.
	Listen string
	// AllowOpen permits a Listen address off loopback although there are no
	// users or tokens: everybody who reaches the port sees the household's
	// stores.
	AllowOpen bool
	// AllowPlain permits a Listen address off loopback without TLS although
	// there are passwords or tokens to overhear.
	AllowPlain bool
	// Users and Tokens are who may come in. Where there are none, nobody is
	// asked who it is.
	Users  []User
	Tokens []secret.Token
	// TLS is set where the page speaks TLS, and only TLS.
	TLS *ServerTLS
	// NoHSTS leaves out the header by which a browser remembers never to ask
	// this host, on any port, without TLS.
	NoHSTS bool
	// Hosts are names and IP addresses under which browsers may reach the
	// page besides those always allowed (see package web): as a browser sends
	// them, in lower case, without port or brackets, each once.
	Hosts []string
	// PublicURL is the address under which people reach the page, scheme, host
	// and port: the base of the links in notices. Empty: no links.
	PublicURL string
}

// Metrics is what /metrics shows.
type Metrics struct {
	// PerLot adds series for each lot. Off by default: thirty years of lots
	// are many series.
	PerLot bool
}

// Room is one listed room.
type Room struct {
	Name string // see wire.CheckName
	// Rules holds the rule of each condition that is watched; a condition
	// switched off has none. See DefaultRules for the fields.
	Rules map[alarm.Kind]alarm.Rule
	// Normals are the monthly means the keeper states; nil for none.
	Normals *forecast.Normals
	// Volume is that of its air, m³; 0 where it is not said.
	Volume float64
}

// Lot is a lot with limits of its own.
type Lot struct {
	ID string
	// Rules holds those of the conditions that differ from the room's; one
	// without a kind is switched off.
	Rules map[alarm.Kind]alarm.Rule
}

// Sensor is one listed sensor.
type Sensor struct {
	Name string // see wire.CheckName
	// Room is where the sensor stands, for topics that do not say so; empty
	// when the topic does.
	Room string
	// Stale is the sensor's own limit, or that of Settings.Stale.
	Stale time.Duration
	// StaleGiven is set when Stale is its own.
	StaleGiven bool
	// Rules holds those of the air of its shelf that differ from the room's;
	// one without a kind is switched off.
	Rules map[alarm.Kind]alarm.Rule
}

// TLSMode is how a mail connection is secured.
type TLSMode string

// Modes of securing mail.
const (
	StartTLS TLSMode = "starttls" // plain connection, upgraded before anything is said; default
	Implicit TLSMode = "implicit" // TLS from the first byte
	NoTLS    TLSMode = "none"     // plain text; for a mail server on the same machine
)

// TLSModes lists the modes by the names used in configuration.
func TLSModes() []TLSMode { return []TLSMode{StartTLS, Implicit, NoTLS} }

// Mail is the account that sends notices.
type Mail struct {
	Host string
	Port int // 1 to 65535
	TLS  TLSMode
	// UsernameFile and PasswordFile name files with the credentials; both or
	// neither.
	UsernameFile, PasswordFile string
	From                       string
	To                         []string // at least one
}

// Notify is where notices go besides log and mail.
type Notify struct {
	// MQTTTopic is the topic on which each notice is published as JSON.
	MQTTTopic string
	// Commands lets whoever may publish on the topic of commands act on alarms.
	Commands bool
	// Channels are the ways to people besides the mail account.
	Channels []Channel
	// Recipients are who is told, in the order of the file. See People.
	Recipients []dispatch.Recipient
	// PingURLFile names the file with an address that is asked each PingEvery
	// while all is well, so that a service elsewhere notices when it is not;
	// empty for none. The address is a secret.
	PingURLFile string
	PingEvery   time.Duration
}

// Defaults.
const (
	DefaultSite       = "home"
	DefaultClientID   = "dryhold"
	DefaultMQTTListen = "127.0.0.1:1883"
	DefaultHTTPListen = "127.0.0.1:8090"
	DefaultNotices    = DefaultRoot + "/notices"
	// DefaultStale is six times the usual 10-minute interval of a battery
	// sensor (judgement): a few lost messages are not a silent sensor.
	DefaultStale = time.Hour
)

// Default is the configuration of a daemon started without a file: a broker
// of its own and the page, both on loopback, any room accepted, and readings
// as bare numbers on rooms/ROOM/QUANTITY or as JSON on rooms/ROOM.
func Default() *Settings {
	return &Settings{
		Site:           DefaultSite,
		Zone:           time.UTC,
		Broker:         Broker{Embedded: &Embedded{Listen: DefaultMQTTListen}, ClientID: DefaultClientID, Root: DefaultRoot},
		HTTP:           HTTP{Listen: DefaultHTTPListen},
		AcceptNewRooms: true,
		Stale:          DefaultStale,
		Topics:         DefaultTopics(),
		Notify:         Notify{MQTTTopic: DefaultNotices, PingEvery: DefaultPingEvery},
		SiteRules:      byKind(SiteRules()),
	}
}

// DefaultTopics are the mappings used when a configuration names none: bare
// numbers on rooms/{room}/{quantity} in °C, % and lx, and JSON on
// rooms/{room} with the fields temperature, humidity and illuminance in the
// same units and an optional time of its own in RFC 3339.
func DefaultTopics() []wire.Mapping {
	celsius := mustUnit(unit.Temperature, "C")
	percent := mustUnit(unit.Humidity, "%")
	lux := mustUnit(unit.Illuminance, "lx")
	return []wire.Mapping{
		{
			Pattern: "rooms/{room}/{quantity}",
			Number: &wire.Number{Units: map[unit.Quantity]unit.Unit{
				unit.Temperature: celsius, unit.Humidity: percent, unit.Illuminance: lux,
			}},
		},
		{
			Pattern: "rooms/{room}",
			JSON: &wire.JSON{
				Time: &wire.TimeField{Path: "time", Format: wire.RFC3339, Optional: true},
				Fields: []wire.Field{
					{Path: "temperature", Quantity: unit.Temperature, Unit: celsius, Scale: 1},
					{Path: "humidity", Quantity: unit.Humidity, Unit: percent, Scale: 1},
					{Path: "illuminance", Quantity: unit.Illuminance, Unit: lux, Scale: 1},
				},
			},
		},
	}
}

func byKind(rules []alarm.Rule) map[alarm.Kind]alarm.Rule {
	out := make(map[alarm.Kind]alarm.Rule, len(rules))
	for _, r := range rules {
		out[r.Kind] = r
	}
	return out
}

// mustUnit finds a unit that is known to exist.
func mustUnit(q unit.Quantity, name string) unit.Unit {
	u, err := unit.Parse(q, name)
	if err != nil {
		panic("BUG: default unit: " + err.Error())
	}
	return u
}

// Rules gives the rules of the room: its own when it is listed, else the
// defaults. The map is a copy. Rule.Stale is left at zero: how long a reading
// stands depends on its sensor, see StaleLimit.
func (s *Settings) Rules(room string) map[alarm.Kind]alarm.Rule {
	rules := make(map[alarm.Kind]alarm.Rule)
	for _, r := range s.Rooms {
		if r.Name == room {
			for kind, rule := range r.Rules {
				rules[kind] = rule
			}
			return rules
		}
	}
	for _, rule := range DefaultRules() {
		rules[rule.Kind] = rule
	}
	return rules
}

// ShelfRules gives the rules of the air that a sensor has of its own; see
// Sensor.Rules. The map is the settings' own: read it only.
func (s *Settings) ShelfRules(sensor string) map[alarm.Kind]alarm.Rule {
	for i := range s.Sensors {
		if s.Sensors[i].Name == sensor {
			return s.Sensors[i].Rules
		}
	}
	return nil
}

// LotRules gives the rules that a lot has of its own; see Lot.Rules. The map is
// the settings' own: read it only.
func (s *Settings) LotRules(id string) map[alarm.Kind]alarm.Rule {
	for i := range s.Lots {
		if s.Lots[i].ID == id {
			return s.Lots[i].Rules
		}
	}
	return nil
}

// Volume gives the volume of a room, m³; 0 where it is not known.
func (s *Settings) Volume(room string) float64 {
	for i := range s.Rooms {
		if s.Rooms[i].Name == room {
			return s.Rooms[i].Volume
		}
	}
	return 0
}

// SensorRooms gives the room of each listed sensor that has one, for topics
// that name only the sensor. The map is a copy.
func (s *Settings) SensorRooms() map[string]string {
	rooms := make(map[string]string)
	for _, k := range s.Sensors {
		if k.Room != "" {
			rooms[k.Name] = k.Room
		}
	}
	return rooms
}

// OwnStale reports whether the configuration gives the sensor a stale limit of
// its own.
func (s *Settings) OwnStale(sensor string) bool {
	return slices.ContainsFunc(s.Sensors, func(k Sensor) bool { return k.Name == sensor && k.StaleGiven })
}

// StaleLimit is the stale limit of the sensor: its own, else the general one.
func (s *Settings) StaleLimit(sensor string) time.Duration {
	for _, k := range s.Sensors {
		if k.Name == sensor {
			return k.Stale
		}
	}
	return s.Stale
}
