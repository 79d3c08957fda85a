// Package chromiumtest says how tests start a real chromium. It is used by tests
// only.
package chromiumtest

import (
	"os"
	"os/exec"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// serversEnv, set to 1, turns a missing browser into a failure.
const serversEnv = "DRYHOLD_TEST_SERVERS"

// Need skips the test where there is no chromium, or fails it if
// DRYHOLD_TEST_SERVERS is 1.
func Need(t testing.TB) {
	t.Helper()
	if path() != "" {
		return
	}
	if os.Getenv(serversEnv) == "1" {
		t.Fatal("no chromium on this machine: install Debian's chromium package")
	}
	t.Skip("no chromium on this machine; " + serversEnv + "=1 makes this a failure")
}

// Options are those of a chromium that asks nobody outside this machine, and
// more. There must be one: see Need.
func Options(more ...chromedp.ExecAllocatorOption) []chromedp.ExecAllocatorOption {
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path()), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true),
		chromedp.Flag("proxy-server", "direct://"),
		chromedp.WSURLReadTimeout(time.Minute),
	)
	return append(options, more...)
}

// path is that of the program, or empty.
func path() string {
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			return p
		}
	}
	return ""
}
