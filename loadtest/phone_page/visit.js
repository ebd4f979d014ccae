// One phone's visit as relay/PROTOCOL.md has it: hello, consent, four small packets a second, acknowledgements, coming
// back after a break. Counts what the check needs to know; knows nothing of the page.

const SEND_MS = 250;
const SILENT_MS = 10_000; // without an acknowledgement: close and come back (relay/PROTOCOL.md)
const FIRST_PAUSE_MS = 500;
const LONGEST_PAUSE_MS = 8_000;
const KEPT = 480; // two minutes of packets
const REFUSED = new Set([4001, 4002, 4003, 4004]);

export class Visit {
  constructor(url, token, changed) {
    this.url = url;
    this.token = token;
    this.changed = changed;
    this.stream = Array.from(crypto.getRandomValues(new Uint8Array(8)), (b) => b.toString(16).padStart(2, "0")).join("");
    this.sequence = 0;
    this.next = 0;
    this.kept = new Map();
    this.connections = 0;
    this.opened = false;
    this.welcomed = false;
    this.error = "";
    this.code = 0;
    this.later = false;
    this.told = 0;
    this.live = false;
    this.stalled = false;
    this.heard = performance.now();
    this.longest = 0;
    this.pause = FIRST_PAUSE_MS;
    this.over = false;
    this.timer = setInterval(() => this.turn(), SEND_MS);
    this.connect();
  }

  get reconnects() {
    return Math.max(0, this.connections - 1);
  }

  get silence() {
    return this.next > 0 && !this.over ? Math.max(this.longest, performance.now() - this.heard) : this.longest;
  }

  connect() {
    if (this.over) return;
    this.connections += 1;
    const socket = (this.socket = new WebSocket(this.url));
    socket.binaryType = "arraybuffer";
    socket.onopen = () => {
      this.opened = true;
      socket.send(JSON.stringify({
        type: "hello", version: 1, seat: this.token, stream: this.stream, lowest: this.next,
        channels: [{ name: "temperature", rate_hz: 4, unit: "C", scale: 0.01, offset: 0 }],
        sensor: { model: "none", firmware: "1", kit: "check" }, consent: { answer: "yes", text: "1" },
      }));
    };
    socket.onmessage = (message) => {
      if (socket === this.socket && typeof message.data === "string") this.hear(JSON.parse(message.data));
    };
    socket.onclose = (close) => this.closed(socket, close.code);
  }

  hear(message) {
    if (message.type === "welcome") {
      this.welcomed = true;
      this.pause = FIRST_PAUSE_MS;
      this.reported = performance.now();
      if (!message.consent.given) this.say({ type: "consent", answer: "yes", text: message.consent.text });
      for (const [number, packet] of this.kept) if (number >= this.next) this.socket.send(packet);
      this.live = true;
    } else if (message.type === "ack") {
      const now = performance.now();
      if (this.next > 0) this.longest = Math.max(this.longest, now - this.heard);
      this.heard = this.reported = now;
      this.next = Math.max(this.next, message.next);
      for (const number of this.kept.keys()) if (number < this.next) this.kept.delete(number);
    } else if (message.type === "later") {
      this.later = true;
      if (!("from" in message)) this.told = performance.now() + 1000 * message.retry_s;
    } else if (message.type === "error") {
      this.error = message.code;
    }
    this.changed();
  }

  turn() {
    if (this.live && this.socket.readyState === WebSocket.OPEN) {
      const packet = encode(this.sequence);
      this.kept.set(this.sequence, packet);
      this.sequence += 1;
      if (this.kept.size <= KEPT) this.socket.send(packet);
      if (performance.now() - this.reported > SILENT_MS) this.broken();
    }
    this.changed();
  }

  /** Nothing comes any more: do not wait for the other side's goodbye. */
  broken() {
    const socket = this.socket;
    this.stalled = true;
    this.closed(socket, 1006);
    socket.onclose = null;
    socket.close();
  }

  closed(socket, code) {
    if (socket !== this.socket || this.over) return;
    this.live = false;
    this.code = code;
    this.changed();
    if (REFUSED.has(code) || code === 4005) return;
    const told = this.told - performance.now();
    setTimeout(() => this.connect(), told > 0 ? told : this.pause * (1 + Math.random()));
    this.pause = Math.min(2 * this.pause, LONGEST_PAUSE_MS);
  }

  say(message) {
    this.socket.send(JSON.stringify(message));
  }

  end() {
    this.longest = this.silence;
    this.over = true;
    clearInterval(this.timer);
    if (this.socket.readyState === WebSocket.OPEN && this.live) this.say({ type: "goodbye" });
    this.socket.close();
  }
}

/** One packet: one int16 sample of channel 0, 30.00 degrees. */
export function encode(sequence) {
  const view = new DataView(new ArrayBuffer(26));
  view.setUint8(0, 1);
  view.setUint8(1, 1);
  view.setUint32(4, sequence, true);
  view.setBigUint64(8, BigInt(Math.round(performance.now() * 1000)), true);
  view.setUint8(17, 1);
  view.setUint16(18, 1, true);
  view.setInt16(24, 3000, true);
  return view.buffer;
}
