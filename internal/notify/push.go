package notify

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/nicholas-fedor/shoutrrr/pkg/router"
	"github.com/nicholas-fedor/shoutrrr/pkg/types"

	"dryhold/internal/alarm"
)

// pushWidth bounds the text of a push message, in characters: what the screen
// of a telephone shows at once (judgement).
const pushWidth = 400

// Push is a channel to one of the services that push messages to telephones and
// chats, by an address of the push library. Safe for concurrent use.
type Push struct {
	name, scheme string
	service      types.Service
	hide         redactor
	free         chan struct{} // holds one while no attempt is under way
}

// untitled lists the services that show no title beside the message.
func untitled() []string {
	return []string{"googlechat", "hangouts", "notifiarr", "pagerduty", "rocketchat", "signal", "wecom"}
}

// NewPush reads the address, which is a secret: no error shows it. It does not
// connect. LimitDefaultClient must have been called.
func NewPush(name, address string) (*Push, error) {
	if http.DefaultClient.Timeout == 0 {
		return nil, errors.New("BUG: a push channel without notify.LimitDefaultClient")
	}
	scheme, rest, ok := strings.Cut(address, ":")
	scheme, _, _ = strings.Cut(strings.ToLower(scheme), "+")
	known := slices.Sorted(slices.Values(new(router.ServiceRouter).ListServices()))
	known = slices.DeleteFunc(known, func(s string) bool { return s == "logger" || s == "smtp" })
	switch {
	case ok && scheme == "smtp":
		return nil, fmt.Errorf("cannot set up push %s: mail goes through the account `mail`: write mail: {to: [...]} for this channel", name)
	case !ok || !slices.Contains(known, scheme):
		return nil, fmt.Errorf("cannot set up push %s: its file must hold the address of a service on one line, which begins with one of %s and ://", name, strings.Join(known, ", "))
	}
	p := &Push{name: name, scheme: scheme, hide: newRedactor(rest), free: make(chan struct{}, 1)}
	service, err := new(router.ServiceRouter).Locate(address)
	if err != nil {
		// The library's words hold the address.
		return nil, fmt.Errorf("cannot set up push %s: the address of service %s is not as that service wants it: see the documentation of its push library, shoutrrr", name, scheme)
	}
	p.service = service
	p.free <- struct{}{}
	return p, nil
}

// LimitDefaultClient gives http.DefaultClient, by which the push library sends,
// an end to its patience, and has it refuse to be sent elsewhere: a redirected
// POST becomes a GET, whose answer would count as delivery. That is for the
// whole process, so the program does it once, before all else.
func LimitDefaultClient() {
	http.DefaultClient.Timeout = sendTimeout - 5*time.Second
	http.DefaultClient.CheckRedirect = func(*http.Request, []*http.Request) error {
		return errors.New("it answers with a redirect, which is not followed: give the final address")
	}
}

// Name is that of the configuration.
func (p *Push) Name() string { return p.name }

// Send pushes the subject with the beginning of the body. The library heeds no
// context: an attempt that hangs is left behind, and until it has ended none
// follows it, so that they do not pile up.
func (p *Push) Send(ctx context.Context, n alarm.Notice) error {
	select {
	case <-p.free:
	case <-ctx.Done():
		return p.failure(n, errors.New("the attempt before still hangs"))
	}
	text, params := pushText(n.Body), types.Params{types.TitleKey: n.Subject}
	if slices.Contains(untitled(), p.scheme) {
		text, params = n.Subject+"\n\n"+text, types.Params{}
	}
	result := make(chan error, 1)
	go func() {
		defer func() { p.free <- struct{}{} }()
		result <- p.push(text, params)
	}()
	select {
	case err := <-result:
		if err == nil {
			return nil
		}
		return p.failure(n, err)
	case <-ctx.Done():
		return p.failure(n, context.Cause(ctx))
	}
}

// push calls the library. What it cannot cope with is its failure, not that of
// the daemon.
func (p *Push) push(text string, params types.Params) (err error) {
	defer func() {
		if fault := recover(); fault != nil {
			err = fmt.Errorf("the push library fails: %v", fault)
		}
	}()
	return p.service.Send(text, &params)
}

// failure words an error of the library without any part of the address.
func (p *Push) failure(n alarm.Notice, err error) error {
	text := fmt.Sprintf("cannot push notice %s by %s: %s", n.Key, p.scheme, cut(p.hide.clean(addresses().ReplaceAllString(err.Error(), "(address)")), quoted))
	if refusedPush(err) {
		return Permanent(errors.New(text))
	}
	return errors.New(text)
}

// addresses finds addresses in a text.
func addresses() *regexp.Regexp { return regexp.MustCompile(`[A-Za-z][A-Za-z0-9+.-]*://[^\s"]*`) }

// refusedPush reports an answer by which the message will never be taken. Those
// that speak of the account are not among them, as with mail: the notices must
// still go out once the keeper has mended it.
func refusedPush(err error) bool {
	status := regexp.MustCompile(`(?i)status[^0-9]{0,24}\b(4\d\d)\b`).FindStringSubmatch(err.Error())
	if status == nil {
		return false
	}
	code, _ := strconv.Atoi(status[1])
	return slices.Contains([]int{
		http.StatusBadRequest, http.StatusNotFound, http.StatusMethodNotAllowed, http.StatusGone,
		http.StatusRequestEntityTooLarge, http.StatusUnsupportedMediaType, http.StatusUnprocessableEntity,
	}, code)
}

// pushText is the beginning of a body, in whole paragraphs as far as they fit,
// without the line breaks and columns that are for wide screens.
func pushText(body string) string {
	text := ""
	for paragraph := range strings.SplitSeq(strings.TrimSpace(body), "\n\n") {
		lines := slices.DeleteFunc(strings.Split(paragraph, "\n"), func(l string) bool { return strings.TrimSpace(l) == "" })
		table := slices.ContainsFunc(lines, func(l string) bool { return strings.Contains(strings.TrimSpace(l), "  ") })
		for i := range lines {
			lines[i] = strings.Join(strings.Fields(lines[i]), " ")
		}
		joint := " "
		if table {
			joint = "\n"
		}
		next := strings.TrimSpace(text + "\n\n" + strings.Join(lines, joint))
		if text != "" && len([]rune(next)) > pushWidth {
			break
		}
		text = next
	}
	return cut(text, pushWidth)
}
