// Joints behind the pins of an emulated chip: angle and speed follow the duty of two pins, channel k is joint k.
// The wiper is torn off where JOINTLOOP_TORN_US has come: the reading falls to 0.
const KV = 1.2, LAG_S = 0.03, COUNTS_PER_RAD = 1000, SUPPLY_V = 5.0; // rad/s per V; invented
const joints = [0, 1, 2, 3].map(() => ({ us: 0, angle: 1.0, speed: 0.0 }));
const torn = Number(process.env.JOINTLOOP_TORN_US ?? Infinity);

function duty(mcu, pin) {
  const c = mcu.pwm.channels[(pin >> 1) & 7];
  const level = pin & 1 ? c.cc >>> 16 : c.cc & 0xffff;
  return Math.min(level / (c.top + 1), 1);
}

export function adc(channel, us, mcu) {
  const j = joints[channel];
  if (!j) return 0;
  const volts = SUPPLY_V * (duty(mcu, 2 * channel + 2) - duty(mcu, 2 * channel + 3));
  for (let left = (us - j.us) * 1e-6; left > 0; left -= 1e-4) {
    const h = Math.min(left, 1e-4);
    j.speed += ((KV * volts - j.speed) * h) / LAG_S;
    j.angle += j.speed * h;
  }
  j.us = us;
  if (us > torn) return 0;
  return Math.max(0, Math.min(4095, Math.round(j.angle * COUNTS_PER_RAD)));
}
