// Reads points as CSV on standard input, one a line, and prints psychrolib's results as CSV, in the same order:
//   rh,T,RH     air at T C with relative humidity RH in per cent: dew point C, wet bulb C at 101325 Pa
//   pw,T,PW     air at T C with vapour pressure PW in Pa:         dew point C
// Below 0 C psychrolib's saturation pressure is that over ice, so that its dew point is a frost point there.
import { createInterface } from 'node:readline';
import { createRequire } from 'node:module';

const psychrolib = createRequire(import.meta.url)('psychrolib');
psychrolib.SetUnitSystem(psychrolib.SI);

const out = [];
for await (const line of createInterface({ input: process.stdin })) {
  if (line.trim() === '') continue;
  const [mode, a, b] = line.split(',');
  const t = Number(a), x = Number(b);
  if (!Number.isFinite(t) || !Number.isFinite(x)) throw new Error(`bad point: ${line}`);
  if (mode === 'rh') {
    out.push(`${psychrolib.GetTDewPointFromRelHum(t, x / 100)},${psychrolib.GetTWetBulbFromRelHum(t, x / 100, 101325)}`);
  } else if (mode === 'pw') {
    out.push(`${psychrolib.GetTDewPointFromVapPres(t, x)}`);
  } else {
    throw new Error(`bad mode: ${line}`);
  }
}
console.log(out.join('\n'));
