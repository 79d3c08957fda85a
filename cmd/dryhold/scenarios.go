package main

import (
	"errors"
	"fmt"
	"io"
	"os"

	"dryhold/internal/alarm"
	"dryhold/internal/catalog"
	"dryhold/internal/engine"
	"dryhold/internal/replay"
	"dryhold/internal/settings"
)

// scenarioHelp says how a scenario is written; the shipped ones say more.
const scenarioHelp = `Each is told with its line, as passed or failed and with
what was found; if one failed the exit code is 1. The alarms run by the code of
the daemon, a step a minute. A scenario is YAML:

  name: A hot day in the loft
  zone: Europe/Berlin
  start: 2026-07-10            # by the clock of the zone
  length: 3d
  rooms:                       # limits as in a configuration
    - {name: loft, limits: {warm: 25 C}}
  lots:
    - {food: white-rice, container: pet-2l, room: loft, mass: 1.6}
  recipients:                  # as in a configuration; default: one, the keeper
    - {name: mara, channels: [mail], quiet: {from: "22:00", to: "07:00"}}
  readings:                    # constant, sine, ramp, steps or list
    - room: loft
      quantity: temperature
      unit: C
      noise: 0.1
      ramp: [[0h, 20], [12h, 29], [1d6h, 20]]
      gaps: [[3h, 4h]]         # also stuck and dead
  outages:                     # power, daemon or broker
    - {what: power, between: [1d, 1d5h]}
  actions:
    - {at: 14h, do: acknowledge, alarm: warm/loft, by: mara}
  expect:
    - {at: 13h, alarm: warm/loft, state: active unacknowledged}
    - {between: [0h, 1d], alarm: warm/loft, raised: 1}
    - {between: [0h, 1d], messages: at most 3, told: mara}

An instant is a span from the start or a minute such as "2026-07-10 14:30".
Examples with every key are shipped in config/scenarios.`

// playScenarios plays files with one scenario each. All of them are read before
// the first is played.
func playScenarios(out io.Writer, files []string, cat *catalog.Catalog) error {
	var problems []error
	type named struct {
		file string
		run  func() (passed, all int, err error)
	}
	var plays []named
	for _, file := range files {
		src, err := os.ReadFile(file)
		if err != nil {
			problems = append(problems, fmt.Errorf("cannot read a scenario: %w", err))
			continue
		}
		s, house, err := settings.ParseScenario(file, src, cat)
		if err != nil {
			problems = append(problems, err)
			continue
		}
		plays = append(plays, named{file, func() (passed, all int, err error) {
			findings, _, err := replay.Run(s, scenarioEngine(house, cat))
			if err != nil {
				return 0, 0, fmt.Errorf("cannot play %s: %w", file, err)
			}
			fmt.Fprintf(out, "%s: %s\n", file, s.Name)
			for _, f := range findings {
				if f.Pass {
					passed++
					fmt.Fprintf(out, "  pass  %s:%d: %s\n", file, f.Line, f.Text)
				} else {
					fmt.Fprintf(out, "  FAIL  %s:%d: %s\n          found %s\n", file, f.Line, f.Text, f.Found)
				}
			}
			return passed, len(findings), nil
		}})
	}
	if len(problems) > 0 {
		return fmt.Errorf("the scenarios have mistakes:\n%w", errors.Join(problems...))
	}
	passed, all := 0, 0
	for _, p := range plays {
		ok, n, err := p.run()
		if err != nil {
			return err
		}
		passed, all = passed+ok, all+n
	}
	if _, err := fmt.Fprintf(out, "%d of %d expectations passed.\n", passed, all); err != nil {
		return err
	}
	if passed < all {
		return fmt.Errorf("%d of %d expectations failed", all-passed, all)
	}
	return nil
}

// scenarioFutures is on how many futures the projected ends of lots rest: few,
// so that a scenario is played in seconds.
const scenarioFutures = 10

// scenarioEngine is how the engine of a scenario's house is made. The clock, the
// disk and the delivery of notices are not played, so nothing is raised of them.
func scenarioEngine(s *settings.Settings, cat *catalog.Catalog) engine.Config {
	cfg := engine.Config{
		Site: s.Site, Zone: s.Zone, Catalog: cat, Rules: s.Rules, Stale: s.StaleLimit,
		ShelfRules: s.ShelfRules, LotRules: s.LotRules, SiteRules: map[alarm.Kind]alarm.Rule{}, Volume: s.Volume,
		Forecasting: engine.Forecasting{Outdoors: s.Outdoor, Normals: s.Normals, Futures: scenarioFutures},
		Dispatching: engine.Dispatching{Recipients: s.People()},
	}
	for _, r := range s.Rooms {
		cfg.Rooms = append(cfg.Rooms, r.Name)
	}
	return cfg
}
