// The page: what is shown, what is asked. Nothing here computes what `sim` computes.
import { Link, readBlock } from "./link.js";
import { Chart, Ring } from "./chart.js";
import { drawPreview, gainFields, readGains } from "./gains.js";
import { numbersOf } from "./numbers.js";

const DEG = 57.29578;
const MODES = ["off", "checking", "powered", "stopping", "tripped"];
const TOLD = ["drive off", "self-test", "LIVE", "stopping", "tripped"];
const el = (id) => document.getElementById(id);
const page = { about: null, rings: [], shown: 0, control: false, frozen: null, status: null, heard: 0,
  field: {}, faults: new Map(), bands: [], marks: [], seenLow: Infinity, seenHigh: -Infinity, blocks: 0, lag: [], stops: [], frames: 0, arming: 0 };
window.benchNumbers = () => ({ blocks: page.blocks, lag: page.lag.slice(-200), stops: page.stops, frames: page.frames, ticks: page.rings.map((r) => r.count) });

const charts = {
  angle: new Chart(el("c-angle"), []), force: new Chart(el("c-force"), []), drive: new Chart(el("c-drive"), []),
};

const link = new Link({
  open() { el("port").textContent = "connected"; },
  closed(opened) {
    page.heard = 0;
    if (opened) say("arm-note", "The connection to the server was lost; the drive stops by itself.", true);
    render();
  },
  ended() {
    document.body.classList.add("ended");
    el("name").textContent = "This page belongs to a session that has ended";
    el("state").textContent = "Not connected: nothing here moves anything"; el("state").className = "lost";
    for (const one of document.querySelectorAll("aside button, aside input, header button")) one.disabled = true;
  },
  block(data) { take(readBlock(data)); },
  told,
});

// --- STOP: sent first, repeated until it is answered, and shown that it was

let stopping = null;
function stop() {
  if (stopping) return;
  const begun = performance.now(), pressed = Date.now();
  el("stop-note").textContent = "sending ...";
  const again = async () => {
    const found = await link.ask("stop");
    if (!stopping) return;
    if (found.ok || link.ended) {
      clearInterval(stopping); stopping = null;
      const all = found.ok && !(found.silent || []).length;
      if (all) page.stops.push(1000 * found.answered_at - pressed);
      el("stop-note").textContent = all ? `stopped: answered in ${Math.round(performance.now() - begun)} ms`
        : found.ok ? found.words : "not connected: it may still be driving. Supply switch!";
    } else { el("stop-note").textContent = found.text; }
  };
  stopping = setInterval(again, 150);
  again();
}
el("stop").addEventListener("pointerdown", (event) => { event.preventDefault(); stop(); });
el("stop").addEventListener("click", stop);
// While any joint may be driven Space is STOP too, whatever has the focus, save where text is typed: a
// hand that strikes the largest key must not press the button that was used last.
const TYPED = "input:not([type=range]):not([type=checkbox]), textarea, [contenteditable]";
let spaceTaken = false;
document.addEventListener("keydown", (event) => {
  if (event.key === "Escape") { event.preventDefault(); stop(); return; }
  const idle = document.activeElement === document.body || document.activeElement === null;
  if (event.key === " " && !event.repeat) spaceTaken = idle || (live() && !event.target.closest?.(TYPED));
  if (event.key === " " && spaceTaken) { event.preventDefault(); if (!event.repeat) stop(); return; }
  if (event.repeat && event.target.closest?.("button, summary, [type=checkbox]")) event.preventDefault();  // one press, one act
}, true);
document.addEventListener("keyup", (event) => {  // some browsers press a button as Space comes up
  if (event.key === " " && spaceTaken) { event.preventDefault(); spaceTaken = false; }
}, true);

// --- what the server tells

function told(message) {
  if (message.hello) hello(message.hello);
  if (message.control !== undefined) {
    page.control = message.control;
    el("control").textContent = message.control ? "This page controls." : message.nobody ? "Nobody controls." : "Another page controls; this one watches. STOP works.";
    el("take").hidden = message.control;
  }
  if (message.status) {
    page.status = message.status;
    if (page.about) page.about.shares = message.status.shares;
    const gone = message.status.boards.find((b) => b.lost);
    page.lost = page.ended || (gone ? `${gone.port}; looking for it again` : null);
  }
  if (message.log) logged(message.log);
  if (message.band) { page.bands.push(message.band); page.bands = page.bands.slice(-8); }
  render();
}

function hello(about) {
  page.about = about;
  page.field = Object.fromEntries(about.fields.map((name, k) => [name, k]));
  const rate = 1 / (about.tick_s * about.every);
  page.rings = about.joints.map(() => new Ring(Math.round(22 * rate), about.fields.length));
  page.faults.clear(); page.bands = []; page.marks = []; page.shown = 0;
  document.title = `bench: ${about.joints[0].name}`;
  el("port").textContent = about.virtual ? "VIRTUAL board: simulated, nothing real moves" : about.ports.join(", ");
  el("folder").textContent = about.folder;
  el("inject").hidden = !about.virtual; el("hand-row").hidden = !about.virtual;
  el("injected").replaceChildren(...Object.entries(about.injected).map(([fault, meaning]) => {
    const b = document.createElement("button");
    b.type = "button"; b.textContent = fault; b.title = meaning;
    b.addEventListener("click", async () => answered("inject-note", await link.ask("inject", { joint: page.shown, fault }), meaning));
    return b;
  }));
  const many = about.joints.length > 1;
  el("all").hidden = !many;
  if (many) buildGrid();
  showJoint(0);
  showGrid(many);
  el("log").replaceChildren();
  for (const row of about.log) logged(row);
}

function showJoint(k) {
  page.shown = k;
  const j = page.about.joints[k], f = page.field;
  el("cautioned").checked = false;  // the tick is for one joint, and for none before it is known
  el("cautioned").disabled = false;
  el("cautioned-joint").textContent = j.name;
  const on = (ring, at) => { const m = ring.data[f.mode][at]; return m === 1 || m === 2 || m === 3; };
  charts.angle.lines = [
    { field: f.setpoint_rad, factor: DEG, color: "#47525d", width: 1.6, dash: [6, 4], only: on },
    { field: f.angle_rad, factor: DEG, color: "#0060a0", width: 1.8 }];
  const room = 0.08 * (j.high_deg - j.low_deg);
  charts.angle.range(j.low_deg - room, j.high_deg + room);
  charts.angle.levels = [[j.low_deg, "#b3261e", [4, 4]], [j.high_deg, "#b3261e", [4, 4]]];
  charts.force.lines = [{ field: f.force_N, factor: 1, color: "#8a3a75", width: 1.6 }];
  charts.drive.lines = [{ field: f.allowed_V, factor: 1, color: "#0060a0", width: 1.4 }];
  charts.drive.range(-1.1 * j.supply_V, 1.1 * j.supply_V);
  charts.drive.levels = [[0, "#47525d", []]];
  el("hand").min = Math.round(j.low_deg); el("hand").max = Math.round(j.high_deg);
  el("target").min = j.low_deg; el("target").max = j.high_deg;
  el("name").textContent = page.about.joints.length > 1 ? `${j.name} (${k + 1} of ${page.about.joints.length})` : j.name;
  gainFields(el("gains"), page.about.gain_fields, j.gains, preview);
  page.seenLow = Infinity; page.seenHigh = -Infinity;
  render();
}

function buildGrid() {
  el("grid").replaceChildren(...page.about.joints.map((j, k) => {
    const b = document.createElement("button");
    b.type = "button"; b.setAttribute("aria-label", `Open ${j.name}`);
    const head = document.createElement("span"), number = document.createElement("b"), canvas = document.createElement("canvas");
    head.textContent = `${j.name} `; head.append(number);
    b.append(head, canvas);
    b.addEventListener("click", () => { showJoint(k); showGrid(false); });
    const chart = new Chart(canvas, [{ field: page.field.angle_rad, factor: DEG, color: "#0060a0", width: 1.2 }]);
    chart.range(j.low_deg - 8, j.high_deg + 8);
    b.chart = chart; b.number = number;
    return b;
  }));
}

function showGrid(on) { el("grid").hidden = !on; el("charts").hidden = on; }
el("all").addEventListener("click", () => showGrid(true));

function take(block) {
  if (!page.about) return;
  for (let r = 0; r < block.rows; r++)
    for (let j = 0; j < block.joints; j++) {
      const ring = page.rings[block.first + j];
      if (ring) ring.put(block.ticks[r], block.values, (r * block.joints + j) * block.fields);
    }
  page.heard = performance.now(); page.blocks++; page.fresh = true;
  const ring = page.rings[page.shown], f = page.field;
  if (block.first <= page.shown && page.shown < block.first + block.joints && ring.last(f.mode) === 0) {
    const angle = ring.last(f.angle_rad) * DEG;
    page.seenLow = Math.min(page.seenLow, angle); page.seenHigh = Math.max(page.seenHigh, angle);
  }
}

const nameOf = (k) => page.about?.joints[k]?.name ?? `joint ${k}`;
const EVENTS = {
  recording_failed: (r) => `${r.text}. The drive was stopped: nothing more is recorded.`,
  fault: (r) => `${nameOf(r.joint)}: ${page.about.faults[r.fault]?.name || r.fault}`, stop: (r) => `STOP, by page ${r.page}`,
  gains: (r) => r.beyond ? `gains applied by a second yes, beyond the bounds: ${r.beyond}` : "gains applied", force: (r) => `force limit ${Math.round(100 * r.share)} %`, saved: (r) => `gains saved into ${r.file}`,
  error: (r) => `went wrong: ${r.what} (${r.why})`, refused: (r) => `refused: ${r.what} (${r.why})`, unwatched: () => "stopped: nobody in control could be watching",
  silent: () => "stopped: the server was silent", link_lost: (r) => `link lost: ${r.port}: ${r.reason}`,
  link_found: (r) => `link found again: ${r.port}; its drive is off, arm again`, link_ended: () => "the link's process ended",
  sine: (r) => `sine of ${nameOf(r.joint)}: ${r.why}`, control: (r) => `page ${r.page} took control; drive off`, report: (r) => `report: ${r.file}`, text: (r) => r.text,
};
function logged(row) {
  const text = (EVENTS[row.event] || (() => row.event))(row);
  const item = document.createElement("li");
  item.textContent = `${new Date(row.t * 1000).toLocaleTimeString()} ${text}`;
  el("log").prepend(item);
  while (el("log").children.length > 200) el("log").lastChild.remove();
  if (row.event === "fault") { if (!page.faults.has(row.joint)) page.faults.set(row.joint, { ...row, at: new Date(row.t * 1000) }); }
  const tick = page.rings[page.shown]?.lastTick() || 0;
  if (["fault", "gains", "unwatched"].includes(row.event)) {  // a fault where its board says that it was
    const words = (row.event === "fault" ? text.split(": ").at(-1) : text).slice(0, 24);
    page.marks.push([row.event === "fault" ? row.tick : tick, words, row.event === "gains" ? "#00624a" : "#b3261e", row.joint]);
  }
  page.marks = page.marks.slice(-400);
  if (row.event === "link_lost") page.lost = `${row.port}; looking for it again`;
  if (row.event === "link_ended") page.ended = page.lost = text;
}

// --- what is shown

function say(id, text, bad = false) { el(id).textContent = text; el(id).classList.toggle("bad", bad); }
function answered(id, found, good) { say(id, found.ok ? good : found.text, !found.ok); return found.ok; }
function done(step) { document.querySelector(`[data-step="${step}"]`).classList.add("done"); }

function fixed(value, digits) { return value.toFixed(digits).replace(/^-(0(\.0*)?)$/, "$1"); }  // no minus zero

function driven(ring) { const now = ring.count ? ring.last(page.field.mode) : 0; return now > 0 && now < 4; }

// Whether any joint may be driven: as last told, and from the moment that arming was asked.
function live() { return page.arming > 0 || !!page.status?.powered || page.rings.some(driven); }

function mode() { const ring = page.rings[page.shown]; return ring && ring.count ? MODES[ring.last(page.field.mode)] || "off" : "off"; }

function render() {
  if (!page.about || document.body.classList.contains("ended")) return;
  const j = page.about.joints[page.shown], now = mode();
  const stale = page.heard === 0 || performance.now() - page.heard > 500;
  const share = page.about.shares[page.shown], limit = share * j.tip_force_N;
  const any = page.rings.some(driven);
  const words = { off: any ? "Drive is off here; another joint is LIVE" : "Drive is off", checking: "LIVE: self-test, weak strokes", powered: `LIVE: cable can pull, limit ${limit.toPrecision(2)} N`,
    stopping: "LIVE: stopping", tripped: "TRIPPED: drive is off" };
  el("state").textContent = page.lost ? `Link lost: ${page.lost}` : stale ? "No data: the drive ends by itself" : words[now];
  el("state").className = page.lost || stale ? "lost" : now === "tripped" ? "tripped" : now === "off" && !any ? "" : "live";
  el("share").textContent = `${limit.toPrecision(2)} N (${Math.round(100 * share)} %)`;
  charts.force.range(-1.5 * j.tip_force_N, 1.5 * j.tip_force_N);
  charts.force.levels = [[limit, "#b3261e", [6, 4]], [-limit, "#b3261e", [6, 4]]];
  el("test-force").textContent = `Something in its way on arming is pressed with up to ${j.self_test_N.toPrecision(2)} N at the fingertip${j.self_test_N > limit ? `, ABOVE the force limit of ${limit.toPrecision(2)} N: keep the finger free` : ""}. A release pulls back with up to ${j.release_N.toPrecision(2)} N${j.release_cable_N > 0 ? `, its cable with ${j.release_cable_N.toPrecision(2)} N` : ""}.`;
  const d = j.force_doubt;
  charts.force.shades = [[limit * (1 - d), limit * (1 + d), "rgba(179,38,30,0.10)"], [-limit * (1 + d), -limit * (1 - d), "rgba(179,38,30,0.10)"]];
  el("doubt").textContent = `known to +-${Math.round(100 * d)} %`;
  const locked = page.lost || stale ? "Locked: no link." : !page.control ? "Locked: another page controls." : now === "powered" ? "" : "Locked: the drive is off; arm first (step 2).";
  for (const id of ["go", "up", "down", "sine"]) el(id).disabled = !!locked;
  for (const one of document.querySelectorAll("[data-jog]")) one.disabled = !!locked;
  if (locked) { say("jog-note", locked); say("sine-note", locked); } else { for (const id of ["jog-note", "sine-note"]) if (el(id).textContent.startsWith("Locked")) say(id, ""); }
  for (const id of ["arm", "drive_off", "release", "full", "low", "undo", "save"]) el(id).disabled = !page.control;
  el("arm").disabled = !page.control || page.lost || now === "tripped" || now === "powered" || !el("cautioned").checked;
  el("apply").disabled = !page.control || !page.changed;
  el("full").disabled = !page.control || share >= 1; el("low").disabled = !page.control || share <= 0.5;
  el("hand").disabled = !page.control || any;
  renderFaults(now);
}

function renderFaults(now) {
  const rows = [...page.faults.values()].map((row) => {
    const f = page.about.faults[row.fault] || { name: `fault ${row.fault}`, cause: "", cure: "" };
    return `${row.at.toLocaleTimeString()}  ${nameOf(row.joint)}: ${f.name}. Cause: ${f.cause}. Cure: ${f.cure}.`;
  });
  const text = rows.join("\n") || (now === "tripped" ? "Latched: clear it before arming again." : "");
  if (el("faults").dataset.text === text) return;
  el("faults").dataset.text = text;
  el("faults").replaceChildren(...text.split("\n").filter(Boolean).map((line) => { const p = document.createElement("div"); p.textContent = line; return p; }));
  if (text) {
    const b = document.createElement("button");
    b.type = "button"; b.id = "clear"; b.textContent = "Seen; clear (does not arm)";
    b.addEventListener("click", async () => { const found = await link.ask("clear"); if (found.ok) page.faults.clear(); else say("arm-note", found.text, true); render(); });
    el("faults").append(b);
  }
}

const SENSOR_FAULTS = new Set([1, 2, 3, 19]);  // rail, jump, stuck, dead gap: the angle is the last good one
function slow() {
  render();
  const ring = page.rings[page.shown];
  if (!ring || !ring.count) return;
  const f = page.field, j = page.about.joints[page.shown];
  const told = f.fault !== undefined ? ring.last(f.fault) : page.faults.get(page.shown)?.fault;  // many joints come without it
  const blind = SENSOR_FAULTS.has(told), driven = [1, 2, 3].includes(ring.last(f.mode));
  el("angle").textContent = blind ? "no reading" : (ring.last(f.angle_rad) * DEG).toFixed(1);
  el("angle").classList.toggle("stale", blind);  // what the board carries on is nobody's angle
  el("setpoint").textContent = mode() === "powered" ? `setpoint ${(ring.last(f.setpoint_rad) * DEG).toFixed(1)}` : "";
  el("force").textContent = driven ? fixed(ring.last(f.force_N), j.force_doubt > 0.3 ? 0 : 1) : "-";  // off, nothing is pressed by the drive
  el("drive").textContent = driven ? fixed(ring.last(f.allowed_V), 2) : "off";
  const heat = ring.last(f.winding_C);
  el("heat").textContent = `winding ${heat.toFixed(0)} of ${j.hot_C.toFixed(0)} degC`;
  const one = f.counts !== undefined;  // many joints come without raw counts
  el("counts").hidden = el("counts-label").hidden = !one;
  if (one) el("counts").textContent = ring.last(f.counts).toFixed(0);
  const recent = [], raw = one ? f.counts : f.angle_rad, scale = one ? Math.abs(j.rad_per_count) : 1;
  for (const k of ring.since(ring.lastTick() - 0.5 / page.about.tick_s)) recent.push(ring.data[raw][k]);
  const mean = recent.reduce((a, b) => a + b, 0) / recent.length;
  const noise = Math.sqrt(recent.reduce((a, b) => a + (b - mean) ** 2, 0) / recent.length);
  el("noise").textContent = `+-${one ? `${noise.toFixed(1)} counts, ` : ""}${(noise * scale * DEG).toFixed(2)} deg`;
  if (page.seenHigh > page.seenLow) {
    el("seen").textContent = `${page.seenLow.toFixed(0)} .. ${page.seenHigh.toFixed(0)} deg`;
    const share = (page.seenHigh - page.seenLow) / (j.high_deg - j.low_deg);
    say("check-note", share > 0.6 ? "Most of the range was seen." : "Move it further: at least 60 % of its range.");
    if (share > 0.6) done("check");
  }
  if (mode() === "powered") done("arm");
  const boards = page.status?.boards || [];
  const worst = Math.max(...boards.map((b) => b.round_trip_ms || 0));
  const age = page.heard ? performance.now() - page.heard : Infinity;
  el("quality").textContent = `data ${age < 1e4 ? age.toFixed(0) : "?"} ms old, link ${worst.toFixed(1)} ms, dropped ${boards.reduce((n, b) => n + b.dropped, 0)}, damaged ${boards.reduce((n, b) => n + b.bad, 0)}`;
}
setInterval(slow, 120);

let drawn = 0;
function frame(now) {
  requestAnimationFrame(frame);
  if (now - drawn < 31 || !page.about || !page.fresh && page.frozen === null) return;
  drawn = now; page.fresh = false; page.frames++;
  page.lag.push(performance.now() - page.heard); if (page.lag.length > 400) page.lag.splice(0, 200);
  const ticks = Number(el("span").value) / page.about.tick_s;
  if (!el("grid").hidden) {
    [...el("grid").children].forEach((b, k) => {
      const ring = page.rings[k];
      b.chart.draw(ring, ring.lastTick(), ticks, page.about.tick_s);
      b.number.textContent = `${(ring.last(page.field.angle_rad) * DEG).toFixed(0)} deg, ${TOLD[ring.last(page.field.mode)] || ""}`;
    });
    return;
  }
  const ring = page.frozen?.ring || page.rings[page.shown];
  const end = page.frozen?.end ?? ring.lastTick();
  charts.angle.bands = page.bands.filter((b) => b.joint === page.shown);
  for (const chart of Object.values(charts)) { chart.marks = page.marks.filter((m) => m[3] === undefined || m[3] === page.shown); chart.draw(ring, end, ticks, page.about.tick_s); }
}
requestAnimationFrame(frame);

// --- freezing and marking

el("freeze").addEventListener("click", () => {
  if (page.frozen) { page.frozen = null; for (const c of Object.values(charts)) c.selected = null; } else {
    const own = page.rings[page.shown], ring = new Ring(own.size, own.fields);  // a copy: the live one goes on
    ring.count = own.count; ring.at = own.at; ring.ticks.set(own.ticks); own.data.forEach((d, k) => ring.data[k].set(d));
    page.frozen = { ring, end: own.lastTick() };
  }
  el("freeze").setAttribute("aria-pressed", String(!!page.frozen));
  el("freeze").textContent = page.frozen ? "Go on" : "Freeze";
});
for (const chart of Object.values(charts)) {
  let from = null;
  const tick = (event) => chart.toTick(event.offsetX);
  chart.canvas.addEventListener("pointerdown", (event) => { if (page.frozen && chart.toTick) { from = tick(event); chart.canvas.setPointerCapture(event.pointerId); } });
  chart.canvas.addEventListener("pointermove", (event) => {
    if (from === null) return;
    for (const c of Object.values(charts)) c.selected = [from, tick(event)];
  });
  chart.canvas.addEventListener("pointerup", (event) => {
    if (from === null) return;
    el("marked").textContent = numbersOf(page.frozen.ring, page.field, from, tick(event), page.about.tick_s);
    from = null;
  });
}

// --- what is asked

const joint = (more = {}) => ({ joint: page.shown, ...more });
const on = (id, what) => el(id).addEventListener("click", what);
on("take", async () => answered("arm-note", await link.ask("control"), "This page controls; the drive was taken off first."));
on("cautioned", render);
on("arm", async () => {
  page.arming++;
  el("stop-note").textContent = "Escape";  // of an earlier STOP
  const found = await link.ask("arm", joint({ cautioned: el("cautioned").checked }));
  setTimeout(() => { page.arming--; }, 1000);  // by then the board has told of it
  answered("arm-note", found, "Arming: a weak stroke each way.");
});
on("drive_off", async () => answered("arm-note", await link.ask("drive_off"), "All drives are off. Gear friction still holds: release to let go."));
on("release", async () => answered("arm-note", await link.ask("release", joint()), "Released."));
on("full", async () => answered("arm-note", await link.ask("force", joint({ share: 1.0 })), "The whole force limit; the drive went off, arm again."));
on("low", async () => answered("arm-note", await link.ask("force", joint({ share: 0.5 })), "Half the force limit; the drive went off, arm again."));
for (const b of document.querySelectorAll("[data-jog]"))
  b.addEventListener("click", async () => { if (answered("jog-note", await link.ask("jog", joint({ by_deg: Number(b.dataset.jog) })), "Moved.")) done("jog"); });
const field = (id) => (el(id).value.trim() === "" || Number.isNaN(el(id).valueAsNumber) ? null : el(id).valueAsNumber);
on("go", async () => { if (answered("jog-note", await link.ask("go", joint({ angle_deg: field("target") })), "Moved.")) done("jog"); });
async function stepBy(sign) {
  const ring = page.rings[page.shown], by = field("step");
  if (by === null) { say("sine-note", "step: must be a number", true); return; }
  const start = ring.last(page.field.setpoint_rad) * DEG, from = ring.lastTick();
  const end = Math.round(10 * (start + sign * by)) / 10;
  if (!answered("sine-note", await link.ask("go", joint({ angle_deg: end })), `Step to ${end} deg.`)) return;
  setTimeout(() => {
    say("result", numbersOf(page.rings[page.shown], page.field, from, page.rings[page.shown].lastTick(), page.about.tick_s, end));
    done("sine");
  }, 1300);
}
on("up", () => stepBy(1)); on("down", () => stepBy(-1));
on("sine", async () => { if (answered("sine-note", await link.ask("sine", joint({ amplitude_deg: field("amplitude"), hertz: field("hertz"), duration_s: field("duration") })), "The sine runs ...")) done("sine"); });
el("hand").addEventListener("input", async () => answered("check-note", await link.ask("hand", joint({ angle_deg: Number(el("hand").value) })), ""));

let previewing = 0;
async function preview() {
  const { gains, changed, wrong } = readGains(el("gains"));
  page.changed = changed && !wrong;
  if (wrong) { say("gains-note", wrong, true); render(); return; }
  const mine = ++previewing;
  say("margins", "computing ...");
  const found = await link.ask("preview", joint({ gains }));
  if (mine !== previewing) return;
  if (!found.ok) { say("gains-note", found.text, true); page.changed = false; render(); return; }
  const note = el("gains-note");
  unsure();
  const beyond = found.preview.then.beyond;
  if (changed) say("gains-note", beyond ? `Not applied yet. Beyond the bounds: ${beyond}.` : "Not applied yet.", !!beyond);
  else if (note.classList.contains("bad") || note.textContent.startsWith("Not applied yet.")) say("gains-note", "");
  say("margins", drawPreview(el("c-step"), found.preview, changed), !!(found.preview.now.beyond || found.preview.then.beyond));
  render();
}
// What the server wants a second yes for: the button says so, and its next press is the yes.
function unsure() { for (const id of ["apply", "undo"]) if (el(id).dataset.sure) { el(id).textContent = el(id).dataset.sure; delete el(id).dataset.sure; el(id).classList.remove("bad"); } }
async function askTwice(id, more) {
  const sure = !!el(id).dataset.sure;
  unsure();
  const found = await link.ask(id, joint({ ...more, sure }));
  if (found.again) { el(id).dataset.sure = el(id).textContent; el(id).textContent = "Yes, all the same"; }
  el(id).classList.toggle("bad", !!found.again);
  return found;
}
on("apply", async () => {
  const { gains } = readGains(el("gains"));
  const found = await askTwice("apply", { gains });
  if (answered("gains-note", found, "Applied; the drive went off, arm again.")) { taken(found.gains); done("gains"); }
});
on("undo", async () => { const found = await askTwice("undo", {}); if (answered("gains-note", found, "Undone; the drive went off, arm again.")) taken(found.gains); });
function taken(gains) { page.about.joints[page.shown].gains = gains; page.changed = false; gainFields(el("gains"), page.about.gain_fields, gains, preview); preview(); }
document.querySelector('[data-step="gains"]').addEventListener("toggle", (event) => { if (event.target.open) preview(); });

on("compare", async () => {
  say("compared", "simulating ...");
  const found = await link.ask("compare", joint());
  if (!found.ok) { say("compared", found.text, true); return; }
  say("compared", found.said);
  el("overlay").src = `data:image/svg+xml;base64,${found.figure}`; el("overlay").hidden = false;
  el("overlay").alt = "Recorded and simulated angle and drive, and their difference"; done("compare");
});
on("save", async () => { const found = await link.ask("save", joint()); if (answered("saved", found, `Gains written to ${found.file}; recording in ${found.folder}.`)) done("save"); });
on("report", async () => { say("saved", "writing ..."); const found = await link.ask("report"); answered("saved", found, `Report: ${found.file}`); });

el("side").addEventListener("change", () => { document.body.classList.toggle("right", el("side").value === "right"); localStorage.setItem("stop-side", el("side").value); });
el("side").value = localStorage.getItem("stop-side") || "left";
document.body.classList.toggle("right", el("side").value === "right");
