package settings_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/dispatch"
	"dryhold/internal/settings"
)

const account = "mail: {host: h, from: a@b, to: [c@d]}\n"

// Without recipients the mail account is that of one, and without an account
// and channels nobody is told but machines.
func TestPeopleByDefault(t *testing.T) {
	keeper := dispatch.Recipient{
		Name: "keeper", Channels: []string{"mail"}, Least: alarm.Low, Zone: time.UTC, Repeat: dispatch.DefaultRepeat(), AtMost: 3,
		Digest: &dispatch.Weekly{Day: time.Sunday, Minute: 18 * 60},
	}
	f := func(src string, want ...dispatch.Recipient) {
		t.Helper()
		if d := cmp.Diff(want, parse(t, src).People(), comparers()); d != "" {
			t.Errorf("%q (-want +got):\n%s", src, d)
		}
	}
	f("site: x\n")
	f(account, keeper)
	f(account+"notify: {mqtt_topic: a/b}\n", keeper)
	there := keeper
	there.Zone = berlin(t)
	f("zone: Europe/Berlin\n"+account, there)
	other := keeper
	other.Name, other.Digest, other.Repeat = "mara", nil, nil
	f(account+"notify: {recipients: [{name: mara, channels: [mail], digest: off, repeat: off}]}\n", other)
	// As code makes them.
	s := settings.Default()
	s.Mail = &settings.Mail{}
	if d := cmp.Diff([]dispatch.Recipient{keeper}, s.People(), comparers()); d != "" {
		t.Errorf("of code (-want +got):\n%s", d)
	}
}

func TestRecipientProblems(t *testing.T) {
	f := func(recipient string, want ...string) {
		t.Helper()
		src := account + "notify: {recipients: [{" + recipient + "}]}\n"
		_, err := settings.Parse("f.yaml", []byte(src))
		wantProblems(t, src, err, want)
	}
	f("name: mara",
		`f.yaml:2:23: a recipient needs the key "channels"`)
	f("name: m/a, channels: [post, mai, mail, mail]",
		`f.yaml:2:30: recipient name: name "m/a" holds a character outside A-Z a-z 0-9 _ . -`,
		`f.yaml:2:46: unknown channel "post": it is one of mail`,
		`f.yaml:2:52: unknown channel "mai": it is one of mail`,
		`f.yaml:2:63: channel "mail" is named a second time: keep one`)
	f("name: m, channels: []",
		"f.yaml:2:43: channels is empty: name at least one way to the recipient")
	f("name: m, channels: [mail], least: lo, urgent: high",
		`f.yaml:2:58: unknown priority "lo": did you mean "low"?`,
		`f.yaml:2:70: urgent is what goes out in quiet hours, and there are none: set "quiet" too, or leave it out`)
	f(`name: m, channels: [mail], quiet: {from: 25:00, to: "7:0"}`,
		`f.yaml:2:65: from must be a time of the day such as "22:00", in quotes, not "25:00"`,
		`f.yaml:2:76: to must be a time of the day such as "22:00", in quotes, not "7:0"`)
	f(`name: m, channels: [mail], quiet: {from: "07:00", to: "07:00", zone: Mars}`,
		`f.yaml:2:58: quiet from 07:00 to 07:00 is the whole day, in which nothing would go out: make it shorter`,
		`f.yaml:2:93: "Mars" is not a time zone: use a name such as Europe/Berlin, or UTC`)
	f(`name: m, channels: [mail], quiet: [{from: "07:00", to: "20:00"}, {from: "19:00", to: "06:30"}]`,
		`f.yaml:2:58: the parts of quiet make up the whole day, in which nothing would go out: make one shorter`)
	f("name: m, channels: [mail], repeat: [1d, 4h, 1m]",
		"f.yaml:2:64: repeat must slow down, and 4h is shorter than the one before: put the spans in order",
		"f.yaml:2:68: repeat 1m is outside 1h to 366d")
	f("name: m, channels: [mail], at_most: 0, digest: weekly, drill: 02-30",
		"f.yaml:2:60: at_most 0 is not a whole number of messages a day from 1 to 100",
		`f.yaml:2:71: digest: "weekly" does not belong here: write {day: sunday, at: "18:00"}, or off`,
		`f.yaml:2:86: drill must be a month and a day of it such as "04-12", in quotes, not "02-30"`)
	f("name: m, channels: [mail], after: 6h",
		"f.yaml:2:22: every recipient waits for others (after), so nobody would be told at once: leave out \"after\" of one")
	f("name: m, channels: [mail], digest: {day: sundy, at: noon}},{name: m, channels: [mail]",
		`f.yaml:2:65: unknown day "sundy": did you mean "sunday"?`,
		`f.yaml:2:76: at must be a time of the day such as "22:00", in quotes, not "noon"`,
		`f.yaml:2:90: recipient "m" is listed a second time: keep one`)
}

// A channel must be there before somebody is told by it.
func TestRecipientWithoutWays(t *testing.T) {
	src := "notify: {recipients: [{name: m, channels: [mail]}]}\n"
	_, err := settings.Parse("f.yaml", []byte(src))
	wantProblems(t, src, err, []string{`f.yaml:1:44: unknown channel "mail": there is none yet; set the account "mail", or name channels under notify.channels`})
}

func berlin(t *testing.T) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	return zone
}
