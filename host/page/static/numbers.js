// Numbers of a marked stretch: lowest, highest, hunting; of a step also settling and overshoot.

const DEG = 57.29578;

export function numbersOf(ring, field, from, to, tickS, target = null) {
  const low = Math.min(from, to), high = Math.max(from, to), rows = [];
  for (const k of ring.since(low)) if (ring.ticks[k] <= high) rows.push([ring.ticks[k], ring.data[field.angle_rad][k] * DEG]);
  rows.reverse();
  if (rows.length < 3) return "too short a stretch";
  const angles = rows.map((r) => r[1]);
  const least = Math.min(...angles), most = Math.max(...angles);
  const tail = angles.slice(Math.floor(0.8 * angles.length));
  const rest = tail.reduce((a, b) => a + b, 0) / tail.length;
  const end = target ?? rest, start = angles[0], step = end - start;
  let text = `${((high - low) * tickS).toFixed(2)} s: ${least.toFixed(1)} .. ${most.toFixed(1)} deg, at the end ${rest.toFixed(2)} +-${((Math.max(...tail) - Math.min(...tail)) / 2).toFixed(2)} deg`;
  if (Math.abs(step) > 3) {
    const band = 0.02 * Math.abs(step);
    let settled = rows.length;
    while (settled > 0 && Math.abs(rows[settled - 1][1] - end) <= band) settled--;
    const first = rows.findIndex((r) => Math.abs(r[1] - start) > 0.02 * Math.abs(step));
    const over = step > 0 ? most - end : end - least;
    text += settled >= rows.length ? "; not settled to 2 %" : `; settled to 2 % after ${((rows[settled][0] - rows[Math.max(first, 0)][0]) * tickS * 1000).toFixed(0)} ms from the first motion`;
    text += `, overshoot ${Math.max(over, 0).toFixed(1)} deg, ${(rest - end).toFixed(2)} deg off at the end`;
  }
  return text;
}
