// Makes psychrolib.csv: 200 states of moist air by the npm package psychrolib,
// an independent implementation of the ASHRAE equations.
//
//   npm install psychrolib@1.1.1 && node psychrolib.mjs > psychrolib.csv
//
// The package counts relative humidity over the stable phase: ice at and below
// the triple point. Its dew point is then the frost point.
import { createRequire } from "node:module";
import { readFileSync } from "node:fs";

const require = createRequire(process.cwd() + "/");
const psy = require("psychrolib");
const version = JSON.parse(readFileSync(require.resolve("psychrolib/package.json"))).version;
if (version !== "1.1.1") throw new Error("want psychrolib 1.1.1, found " + version);
psy.SetUnitSystem(psy.SI);

const out = [
  "# 200 states of moist air. Relative humidity counts over the stable phase here: ice at and below 0.01 °C;",
  "# the dew point is the frost point where it lies below the triple point.",
  "# Source: computed with the npm package psychrolib " + version + " (MIT) by psychrolib.mjs.",
  "# Tolerance: pressures 0.03 %, dew point 0.02 K, humidity ratio 0.1 %, absolute humidity 0.1 %.",
  "celsius,rh,air_pascal,saturation_pascal,vapour_pascal,dew_celsius,ratio_kg_per_kg,absolute_g_per_m3,deficit_pascal",
];
// A cellar in frost to a loft in July; three heights above the sea in turn.
const celsius = [-25, -18, -10, -5, -1, 0, 0.5, 3, 6, 8, 11, 14, 17, 20, 23, 26, 30, 35, 42, 55];
const humidity = [0.05, 0.15, 0.27, 0.38, 0.5, 0.6, 0.71, 0.83, 0.94, 1];
const pressure = [101325, 95461, 84556];
let n = 0;
for (const t of celsius) {
  for (const rh of humidity) {
    const p = pressure[n++ % pressure.length];
    const pw = psy.GetVapPresFromRelHum(t, rh);
    const w = psy.GetHumRatioFromRelHum(t, rh, p);
    const absolute = (1000 * w) / psy.GetMoistAirVolume(t, w, p);
    const row = [
      psy.GetSatVapPres(t), pw, psy.GetTDewPointFromVapPres(t, pw), w, absolute,
      psy.GetVaporPressureDeficit(t, w, p),
    ];
    out.push([t, rh, p, ...row.map((v) => Number(v.toPrecision(10)))].join(","));
  }
}
console.log(out.join("\n"));
