// Package ecosystem holds no code: its tests run the built program among the
// servers of Debian that it works with, mosquitto, prometheus,
// prometheus-alertmanager and victoria-metrics, and look at what arrives in
// each. `.ci/ecosystem` runs them.
package ecosystem
