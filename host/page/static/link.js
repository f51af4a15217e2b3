// The page's end of the WebSocket: token from the address, questions with answers, telemetry blocks.

const KEY = "bench-token";

function token() {
  const given = location.hash.slice(1);
  if (given) {
    sessionStorage.setItem(KEY, given);
    history.replaceState(null, "", location.pathname);
  }
  return sessionStorage.getItem(KEY) || "";
}

export class Link {
  constructor(on) {
    this.on = on;
    this.next = 1;
    this.waiting = new Map();
    this.ended = false;
    this.connect();
    setInterval(() => this.beat(), 400);
    document.addEventListener("visibilitychange", () => this.beat());
  }

  connect() {
    const socket = new WebSocket(`ws://${location.host}/link`, ["jointloop", token() || "none"]);
    socket.binaryType = "arraybuffer";
    this.socket = socket;
    let opened = false;
    socket.onopen = () => { opened = true; this.on.open(); this.beat(); };
    socket.onmessage = (event) => {
      if (typeof event.data !== "string") { this.on.block(event.data); return; }
      const told = JSON.parse(event.data);
      if (told.answer !== undefined) {
        const done = this.waiting.get(told.answer);
        this.waiting.delete(told.answer);
        if (done) done(told);
      } else { this.on.told(told); }
    };
    socket.onclose = () => {
      for (const done of this.waiting.values()) done({ ok: false, text: "the connection was lost" });
      this.waiting.clear();
      this.on.closed(opened);
      this.refused = opened ? 0 : (this.refused || 0) + 1;
      if (this.refused < 3) setTimeout(() => this.connect(), 700);  // a page of an ended session gives up
      else { this.ended = true; this.on.ended(); }
    };
  }

  get open() { return this.socket.readyState === WebSocket.OPEN; }

  beat() {
    if (this.open) this.socket.send(JSON.stringify({ do: "beat", visible: document.visibilityState === "visible" }));
  }

  ask(what, more = {}) {
    if (!this.open) return Promise.resolve({ ok: false, text: "not connected" });
    const id = this.next++;
    return new Promise((done) => {
      this.waiting.set(id, done);
      this.socket.send(JSON.stringify({ do: what, id, ...more }));
    });
  }
}

// A block: first joint, joints | fields << 16, rows, dropped; ticks; rows of joints of fields.
export function readBlock(data) {
  const head = new Uint32Array(data, 0, 4);
  const [first, shape, rows] = head;
  const joints = shape & 0xffff, fields = shape >>> 16;
  return { first, joints, fields, rows, dropped: head[3], ticks: new Uint32Array(data, 16, rows),
    values: new Float32Array(data, 16 + 4 * rows, rows * joints * fields) };
}
