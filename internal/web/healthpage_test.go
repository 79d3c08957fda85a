package web

import (
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"testing"

	"golang.org/x/net/html"
)

func TestHealthPage(t *testing.T) {
	h, k := house(t, larchHouse(), nil)
	doc := shown(t, h, "/health", 200)
	section := func(id string) *html.Node {
		return only(t, doc, "section", func(n *html.Node) bool { return attr(n, "aria-labelledby") == id })
	}
	wantWords(t, doc, "▲ 1 check fails")
	rows := all(section("checks"), "tr", nil)[1:]
	// What fails comes first, with its remedy.
	wantWords(t, rows[0], "Mail goes out ◆ not ok the mail server refuses the password: renew the file that holds it 14 Jul 2026 12:30 CEST , 2 h ago")
	wantWords(t, rows[1], "Readings arrive ✓ ok the newest 42 s ago")
	wantWords(t, section("intake"), "mqtt://127.0.0.1:1883, the one inside dryhold", "✓ connected", "Messages in the last minute 42", "Messages since the start 105 412", "Waiting to be looked at 3", "Dropped at QoS 0 0",
		"home/loft/climate implausible 3 temperature 212 °C is outside")
	wantWords(t, section("store"), "241.0 MiB", "84 000 000", "87 000, of 24 series", "✓ whole, checked 30 h ago", "◆ 1 damaged day", "◆ 40 days ago, 83 000 000 readings in /mnt/stick/larch.db", "temperature of sensor loft-1 in room loft on 2026-03-02")
	wantWords(t, section("machine"), "12.0 GiB free of 32.0 GiB", "✓ trusted", "by a time server")
	wantWords(t, section("notices"), "log ✓ last delivered 60 min ago, 0 waiting", "mail ◆ 7 attempts in a row failed, 2 waiting", "mail: the mail server refuses the password", "✓ answered 3 min ago")
	wantWords(t, section("export"), "11 204", "Oldest point not sent 1 min", "connection refused")
	wantWords(t, section("versions"), "dryhold 0.1.0-test", "Go 1.26.0", "Schema of the store 10", "32 foods, 9 containers", "Running since 2 days, 12 Jul 2026")

	var v Vitals
	if err := json.Unmarshal([]byte(text(t, ask(t, h, http.MethodGet, "/api/v1/vitals", ""))), &v); err != nil || v.Store.Readings != 84_000_000 {
		t.Errorf("%v %+v", err, v)
	}
	// Without its numbers the page still shows its checks; and before there is
	// a state too.
	k.err = errors.New("secret: the disk is sick")
	broken := words(shown(t, h, "/health", 200))
	if !strings.Contains(broken, "fault of the machine") || strings.Contains(broken, "secret") || !strings.Contains(broken, "Mail goes out") {
		t.Errorf("%s", broken)
	}
	wantProblem(t, ask(t, h, http.MethodGet, "/api/v1/vitals", ""), 500, "fault of the machine")
	starting, _ := house(t, nil, nil)
	wantWords(t, shown(t, starting, "/health", 200), "Mail goes out", "Store")
}
