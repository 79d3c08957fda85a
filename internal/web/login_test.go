package web

import (
	"context"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/google/go-cmp/cmp"

	"dryhold/internal/secret"
)

// planted are the secrets of these tests: none may come out anywhere.
const (
	marasPassword = "buckwheat-in-the-loft"
	wrongPassword = "wrong-and-typed"
)

// guarded is the house with Mara as its only user and a token of each scope.
func guarded(t testing.TB, secure bool) (c Config, tokens map[secret.Scope]string, refused *[]string) {
	t.Helper()
	hash, err := secret.HashPassword([]byte(marasPassword))
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	refused = &[]string{}
	a := &Access{Users: map[string]secret.Password{"mara": hash}, Secure: secure, Refused: func(kind string) {
		mu.Lock()
		defer mu.Unlock()
		*refused = append(*refused, kind)
	}}
	tokens = map[secret.Scope]string{}
	for _, s := range secret.Scopes() {
		token, h := secret.NewToken()
		tokens[s] = token
		a.Tokens = append(a.Tokens, secret.Token{Name: "for-" + string(s), Hash: h, Scope: s})
	}
	return Config{Access: a}, tokens, refused
}

// locked is a handler of the guarded house.
func locked(t testing.TB) (http.Handler, *keeper, map[secret.Scope]string, *[]string) {
	t.Helper()
	c, tokens, refused := guarded(t, false)
	h, k := house(t, larchHouse(), func(to *Config) { to.Access = c.Access })
	return h, k, tokens, refused
}

// login posts the login form and gives the cookie, if any.
func login(t testing.TB, h http.Handler, name, password, next string, headers ...string) (*http.Response, *http.Cookie) {
	t.Helper()
	form := url.Values{"name": {name}, "password": {password}, "next": {next}}
	res := ask(t, h, http.MethodPost, "/login", form.Encode(), append(headers, "Content-Type", "application/x-www-form-urlencoded")...)
	for _, c := range res.Cookies() {
		if c.MaxAge >= 0 {
			return res, c
		}
	}
	return res, nil
}

func TestStrangers(t *testing.T) {
	h, k, _, _ := locked(t)
	f := func(method, path, accept string, want int, headers ...string) *http.Response {
		t.Helper()
		res := ask(t, h, method, path, "", append(headers, "Accept", accept)...)
		if res.StatusCode != want {
			t.Errorf("%s %s: status %d, want %d", method, path, res.StatusCode, want)
		}
		return res
	}
	const page, any = "text/html,*/*", "*/*"
	// Every route there is, and one that is none.
	for _, path := range []string{"/", "/alarms/acknowledge", "/lots/white-rice-1", "/nothing"} {
		if res := f("GET", path, page, 303); !strings.HasPrefix(res.Header.Get("Location"), "/login") {
			t.Errorf("%s leads to %s", path, res.Header.Get("Location"))
		}
		f("GET", path, any, 401)
	}
	for _, path := range []string{"/api/v1/status", "/api/v1/lots", "/api/v1/lots/white-rice-1", "/api/v1/lots/white-rice-1/explanation", "/api/v1/sensors", "/api/v1/audit", "/metrics", "/api/v1/nothing"} {
		if res := f("GET", path, page, 401); res.Header.Get("WWW-Authenticate") == "" {
			t.Errorf("%s does not say how", path)
		}
	}
	for _, path := range []string{"/api/v1/lots", "/api/v1/lots/L-1/move", "/api/v1/lots/L-1/finish", "/api/v1/lots/L-1/note", "/api/v1/alarms/acknowledge", "/api/v1/refold", "/logout"} {
		f("POST", path, any, 401)
		f("POST", path, any, 401, "Cookie", "dryhold_session=made-up")
		f("POST", path, any, 401, "Authorization", "Bearer dryhold_made_up")
		f("POST", path, any, 401, "Authorization", "Bearer ")
		f("POST", path, any, 401, "Authorization", "Basic bWFyYTp4")
	}
	f("GET", readAssets().url("style.css"), any, 200)
	f("GET", "/login", page, 200)
	if res := f("GET", "/healthz", any, 200); strings.TrimSpace(text(t, res)) != `{"ok":true,"checks":[]}` {
		t.Error("the health tells strangers more than whether all is well")
	}
	if len(k.seen()) > 0 {
		t.Errorf("a stranger reached the actions: %q", k.seen())
	}
}

func TestLogin(t *testing.T) {
	h, k, _, refused := locked(t)
	res, cookie := login(t, h, "mara", wrongPassword, "/")
	if body := text(t, res); res.StatusCode != 401 || cookie != nil || !strings.Contains(body, "Name or password is wrong.") || strings.Contains(body, wrongPassword) {
		t.Errorf("wrong password: %d, cookie %v, %s", res.StatusCode, cookie, body)
	}
	res, cookie = login(t, h, "nobody", marasPassword, "/")
	if body := text(t, res); res.StatusCode != 401 || cookie != nil || !strings.Contains(body, "Name or password is wrong.") {
		t.Errorf("wrong name: %d, cookie %v", res.StatusCode, cookie)
	}
	if !slices.Equal(*refused, []string{"login", "login"}) {
		t.Errorf("counted %q", *refused)
	}
	res, cookie = login(t, h, "mara", marasPassword, "/alarms/acknowledge?kind=warm&room=loft", "Cookie", "dryhold_session=planted-before")
	if res.StatusCode != 303 || res.Header.Get("Location") != "/alarms/acknowledge?kind=warm&room=loft" || cookie == nil {
		t.Fatalf("login: %d to %s, cookie %v", res.StatusCode, res.Header.Get("Location"), cookie)
	}
	if cookie.Value == "planted-before" || !cookie.HttpOnly || cookie.SameSite != http.SameSiteLaxMode || cookie.Path != "/" || cookie.Secure || cookie.Domain != "" {
		t.Errorf("cookie %s", cookie)
	}
	with := []string{"Cookie", cookie.Name + "=" + cookie.Value}
	page := text(t, ask(t, h, "GET", "/", "", with...))
	if !strings.Contains(page, "Larch House") || !strings.Contains(page, `action="/logout"`) || !strings.Contains(page, "mara") {
		t.Error("the page does not show who is logged in")
	}
	if res := ask(t, h, "GET", "/healthz", "", with...); !strings.Contains(text(t, res), "intake") {
		t.Error("the health tells a user no more than a stranger")
	}

	// The name of an edit is the user's, whatever the form and the body say.
	form := "kind=warm&room=loft&by=Somebody+else"
	ask(t, h, "POST", "/alarms/acknowledge", form, append(with, "Content-Type", "application/x-www-form-urlencoded")...)
	ask(t, h, "POST", "/api/v1/lots/L-1/move", `{"room":"loft","by":"Somebody else"}`, append(with, "Content-Type", "application/json")...)
	ask(t, h, "POST", "/api/v1/refold", `{"by":"Somebody else"}`, append(with, "Content-Type", "application/json")...)
	calls := strings.Join(k.seen(), "\n")
	if strings.Contains(calls, "Somebody") || strings.Count(calls, "mara") != 3 {
		t.Errorf("edits are signed otherwise:\n%s", calls)
	}

	// A login gives a new token each time, and logging out ends the session.
	_, second := login(t, h, "mara", marasPassword, "/", with...)
	if second == nil || second.Value == cookie.Value {
		t.Fatal("the token is the same after another login")
	}
	if res := ask(t, h, "GET", "/api/v1/status", "", with...); res.StatusCode != 401 {
		t.Errorf("the old token still opens: %d", res.StatusCode)
	}
	with = []string{"Cookie", second.Name + "=" + second.Value}
	if res := ask(t, h, "POST", "/logout", "", append(with, "Origin", "http://evil.example")...); res.StatusCode != 403 {
		t.Errorf("logged out from another site: %d", res.StatusCode)
	}
	if res := ask(t, h, "GET", "/logout", "", with...); res.StatusCode != 405 {
		t.Errorf("logged out by a link: %d", res.StatusCode)
	}
	if res := ask(t, h, "POST", "/logout", "", with...); res.StatusCode != 303 {
		t.Errorf("logout: %d", res.StatusCode)
	}
	if res := ask(t, h, "GET", "/api/v1/status", "", with...); res.StatusCode != 401 {
		t.Errorf("the session goes on after logging out: %d", res.StatusCode)
	}
}

// Each edit that has a name in its body takes the session's: also those that
// are written after this test.
func TestEveryEditIsSigned(t *testing.T) {
	r := httptest.NewRequest("POST", "/", nil)
	asUser := r.WithContext(context.WithValue(r.Context(), visitorKey{}, visitor{name: "mara", scope: secret.Admin}))
	asToken := r.WithContext(context.WithValue(r.Context(), visitorKey{}, visitor{name: "scale", scope: secret.Keep, token: true}))
	f := func(r *http.Request, given, want string) {
		t.Helper()
		add, move, fold := AddLot{By: given}, MoveLot{By: given}, Refold{By: given}
		sign(r, &add)
		sign(r, &move)
		sign(r, &fold)
		if add.By != want || move.By != want || fold.By != want {
			t.Errorf("%q is signed %q, %q, %q; want %q", given, add.By, move.By, fold.By, want)
		}
	}
	f(r, "Ben", "Ben")
	f(asUser, "Ben", "mara")
	f(asUser, "", "mara")
	f(asToken, "Ben", "Ben (token scale)")
	f(asToken, "", "token scale")
	f(asToken, strings.Repeat("é", 200), strings.Repeat("é", (maxName-len("token scale")-3)/2)+" (token scale)")
	sign(asUser, nil)
	sign(asUser, new(int))
	sign(asUser, new(struct{ X int }))
}

func TestTokens(t *testing.T) {
	h, k, tokens, refused := locked(t)
	f := func(s secret.Scope, method, path, body string, want int) {
		t.Helper()
		res := ask(t, h, method, path, body, "Authorization", "bearer "+tokens[s], "Content-Type", "application/json", "Cookie", "dryhold_session=x")
		if res.StatusCode != want {
			t.Errorf("%s: %s %s: status %d, want %d: %s", s, method, path, res.StatusCode, want, text(t, res))
		}
		if len(res.Cookies()) > 0 {
			t.Errorf("%s %s sets a cookie", method, path)
		}
	}
	const by = `{"by":"Ben","room":"loft"}`
	for _, s := range secret.Scopes() {
		f(s, "GET", "/", "", 200)
		f(s, "GET", "/api/v1/status", "", 200)
		f(s, "GET", "/healthz", "", 200)
	}
	f(secret.Read, "POST", "/api/v1/lots/L-1/move", by, 403)
	f(secret.Read, "POST", "/api/v1/refold", `{}`, 403)
	f(secret.Read, "DELETE", "/api/v1/lots", "", 403)
	f(secret.Keep, "POST", "/api/v1/lots/L-1/move", by, 204)
	f(secret.Keep, "POST", "/api/v1/refold", `{}`, 403)
	f(secret.Admin, "POST", "/api/v1/refold", `{}`, 200)
	f(secret.Keep, "POST", "/api/v1/log", `{"levels":"debug"}`, 403)
	if calls := strings.Join(k.seen(), "\n"); !strings.Contains(calls, "by Ben (token for-keep)") || len(k.seen()) != 2 {
		t.Errorf("reached the actions:\n%s", calls)
	}
	if len(*refused) > 0 {
		t.Errorf("counted as refused: %q", *refused)
	}
}

// The clock of the bubble stands still while a password is checked, however
// slow the machine is.
func TestLoginIsSlowedDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h, _, _, refused := locked(t)
		for range 5 {
			login(t, h, "mara", wrongPassword, "/")
		}
		res, cookie := login(t, h, "mara", marasPassword, "/")
		if res.StatusCode != 429 || cookie != nil || res.Header.Get("Retry-After") != "1" || !strings.Contains(text(t, res), "Wait 1 s, then try again") {
			t.Errorf("the sixth attempt: %d, Retry-After %s", res.StatusCode, res.Header.Get("Retry-After"))
		}
		if (*refused)[len(*refused)-1] != "login rate" {
			t.Errorf("counted %q", *refused)
		}
		time.Sleep(time.Second)
		if res, cookie := login(t, h, "mara", marasPassword, "/"); res.StatusCode != 303 || cookie == nil {
			t.Errorf("after the wait: %d", res.StatusCode)
		}
	})
}

// A session ends when nobody uses it, and in any case after its lifetime; and
// no request that was under way brings an ended one back.
func TestSessionEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h, _, _, _ := locked(t)
		in := func(c *http.Cookie) bool {
			return ask(t, h, "GET", "/api/v1/status", "", "Cookie", c.Name+"="+c.Value).StatusCode == 200
		}
		_, c := login(t, h, "mara", marasPassword, "/")
		time.Sleep(sessionIdle - time.Minute)
		if !in(c) {
			t.Fatal("ended before its time")
		}
		time.Sleep(sessionIdle + time.Minute)
		if in(c) {
			t.Fatal("still there after half a day without use")
		}
		_, c = login(t, h, "mara", marasPassword, "/")
		began := time.Now()
		for in(c) {
			time.Sleep(time.Hour)
			if time.Since(began) > sessionLifetime+time.Hour {
				t.Fatal("used each hour it never ends")
			}
		}
		if time.Since(began) < sessionLifetime {
			t.Errorf("ended after %s", time.Since(began))
		}
	})
	s := &sessionStore{all: map[string]kept{}}
	later := time.Now().Add(time.Hour)
	for _, err := range []error{s.Commit("a", []byte("x"), later), s.Delete("a"), s.Commit("a", []byte("x"), later), s.Delete("never there")} {
		if err != nil {
			t.Fatal(err)
		}
	}
	if _, there, _ := s.Find("a"); there {
		t.Error("an ended session came back")
	}
	for i := range 3 * maxSessions {
		if err := s.Commit(time.Duration(i).String(), nil, later); err != nil {
			t.Fatal(err)
		}
	}
	if len(s.all) > maxSessions {
		t.Errorf("%d sessions are kept", len(s.all))
	}
}

func TestWithin(t *testing.T) {
	f := func(next, want string) {
		t.Helper()
		if got := within(next); got != want {
			t.Errorf("%q leads to %q, want %q", next, got, want)
		}
	}
	f("/lots/L-1?x=1#y", "/lots/L-1?x=1#y")
	for _, away := range []string{"", "http://evil.example/", "//evil.example/", "/\\evil.example", "/\t/evil.example", "javascript:alert(1)", "lots", "/login?next=/", "/logout", "///evil.example", "/%zz"} {
		f(away, "/")
	}
}

// A page of another site can neither log anybody in nor use a session, even
// where the browser sends the cookie along.
func TestForeignPagesAndSessions(t *testing.T) {
	h, k, _, _ := locked(t)
	if res, c := login(t, h, "mara", marasPassword, "/", "Sec-Fetch-Site", "cross-site"); res.StatusCode != 403 || c != nil {
		t.Errorf("logged in from another site: %d", res.StatusCode)
	}
	_, c := login(t, h, "mara", marasPassword, "/", "Sec-Fetch-Site", "same-origin")
	if c == nil {
		t.Fatal("not logged in from the own page")
	}
	for _, foreign := range [][]string{{"Sec-Fetch-Site", "cross-site"}, {"Sec-Fetch-Site", "same-site"}, {"Origin", "null"}, {"Origin", "http://127.0.0.1:9999"}} {
		headers := append(foreign, "Cookie", c.Name+"="+c.Value, "Content-Type", "application/x-www-form-urlencoded")
		wantProblem(t, ask(t, h, "POST", "/alarms/acknowledge", "kind=warm&room=loft", headers...), 403, "another site")
	}
	if len(k.seen()) > 0 {
		t.Errorf("reached the actions: %q", k.seen())
	}
}

// Over TLS the cookie is for TLS alone and the browser is told to stay there;
// without it is not.
func TestOverTLS(t *testing.T) {
	c, _, _ := guarded(t, true)
	h, _ := house(t, larchHouse(), func(to *Config) { to.Access = c.Access })
	server := httptest.NewTLSServer(h)
	defer server.Close()
	client := server.Client()
	client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	form := url.Values{"name": {"mara"}, "password": {marasPassword}}
	res, err := client.PostForm(server.URL+"/login", form)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	cookies := res.Cookies()
	if len(cookies) != 1 || !cookies[0].Secure || !cookies[0].HttpOnly || cookies[0].Name != "__Host-dryhold_session" {
		t.Errorf("cookies %v", cookies)
	}
	if got := res.Header.Get("Strict-Transport-Security"); got != "max-age=2592000" {
		t.Errorf("Strict-Transport-Security %q", got)
	}
	if jar, err := cookiejar.New(nil); err != nil {
		t.Fatal(err)
	} else {
		client.Jar = jar
	}
	again, err := client.PostForm(server.URL+"/login", form)
	if err != nil {
		t.Fatal(err)
	}
	defer again.Body.Close()
	page, err := client.Get(server.URL + "/")
	if err != nil {
		t.Fatal(err)
	}
	defer page.Body.Close()
	if page.StatusCode != 200 {
		t.Errorf("with the cookie: %d", page.StatusCode)
	}
	plain, _, _, _ := locked(t)
	if got := ask(t, plain, "GET", "/login", "").Header.Get("Strict-Transport-Security"); got != "" {
		t.Errorf("without TLS: Strict-Transport-Security %q", got)
	}
	hushed, _ := house(t, larchHouse(), func(to *Config) { to.NoHSTS = true })
	quiet := httptest.NewTLSServer(hushed)
	defer quiet.Close()
	answer, err := quiet.Client().Get(quiet.URL + "/healthz")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	if got := answer.Header.Get("Strict-Transport-Security"); got != "" {
		t.Errorf("switched off: Strict-Transport-Security %q", got)
	}
}

// A real browser logs in, acknowledges under its user's name, and logs out.
func TestBrowserLogsIn(t *testing.T) {
	ctx := browser(t)
	c, _, _ := guarded(t, false)
	h, k := house(t, larchHouse(), func(to *Config) { to.Access, to.Hosts = c.Access, []string{"hearth"} })
	server := httptest.NewServer(h)
	t.Cleanup(server.Close)
	base := "http://hearth:" + server.URL[strings.LastIndex(server.URL, ":")+1:]
	err := chromedp.Do(ctx,
		chromedp.Navigate(base+"/alarms/acknowledge?kind=warm&room=loft"),
		chromedp.SendKeys(chromedp.CSS(`#name`), "mara"),
		chromedp.SendKeys(chromedp.CSS(`#password`), marasPassword),
		chromedp.Click(chromedp.CSS(`main button`)),
		chromedp.SendKeys(chromedp.CSS(`#note`), "window open"),
		chromedp.Click(chromedp.CSS(`main button`)),
		chromedp.WaitVisible(chromedp.CSS(`#alarms`)),
		chromedp.Click(chromedp.CSS(`form.session button`)),
		chromedp.WaitVisible(chromedp.CSS(`#password`)),
	)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]string{"acknowledge warm/loft by mara: window open"}, k.seen()); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if at := evaluate[string](t, ctx, `location.pathname`); at != "/login" {
		t.Errorf("after logging out at %s", at)
	}
}

// FuzzLogin: whatever is posted, nobody comes in, nothing is a fault of the
// machine, and no answer leads to another site.
func FuzzLogin(f *testing.F) {
	f.Add("application/x-www-form-urlencoded", "name=mara&password=x&next=//evil.example")
	f.Add("application/x-www-form-urlencoded", "name=%00&password=%ff&next=%2f%5cevil.example")
	f.Add("application/x-www-form-urlencoded; charset=x", "name=mara&name=mara&password=")
	f.Add("text/plain", strings.Repeat("a", 9000))
	f.Add("multipart/form-data; boundary=x", "--x--")
	c, _, _ := guarded(f, false)
	h, _ := house(f, larchHouse(), func(to *Config) { to.Access = c.Access })
	f.Fuzz(func(t *testing.T, media, body string) {
		if strings.ContainsAny(media, "\r\n\x00") || strings.Contains(body, marasPassword) {
			return
		}
		res := ask(t, h, "POST", "/login", body, "Content-Type", media)
		if res.StatusCode >= 500 || res.StatusCode < 400 {
			t.Errorf("status %d", res.StatusCode)
		}
		if len(res.Cookies()) > 0 || res.Header.Get("Location") != "" {
			t.Errorf("cookies %v, to %q", res.Cookies(), res.Header.Get("Location"))
		}
		if got := within(body); got[0] != '/' || strings.HasPrefix(got, "//") {
			t.Errorf("%q leads to %q", body, got)
		}
	})
}
