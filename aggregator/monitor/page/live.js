// The live socket: decodes messages, connects again with jitter, and knows how old the newest values are.
const FIRST_WAIT_MS = 500;
const LONGEST_WAIT_MS = 4000;
const QUIET_MS = 4000; // the service speaks four times a second: silence this long means a dead connection

// A message: uint32 length (little-endian), JSON, then one byte a seat each of level, confidence, state.
export function decode(buffer) {
  const length = new DataView(buffer).getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
  const seats = (buffer.byteLength - 4 - length) / 3;
  const at = (i) => new Uint8Array(buffer, 4 + length + i * seats, seats);
  return { header, level: at(0), confidence: at(1), state: at(2) };
}

export class Live {
  constructor({ opened, message }) {
    this.opened = opened;
    this.message = message;
    this.connected = false;
    this.wait = FIRST_WAIT_MS;
    this.ageMs = null; // of the newest snapshot when its message came; null: none yet
    this.heardAt = performance.now();
    this.connect();
  }

  connect() {
    const url = new URL("api/live", location.href);
    url.protocol = url.protocol === "https:" ? "wss:" : "ws:";
    const socket = new WebSocket(url);
    socket.binaryType = "arraybuffer";
    socket.onopen = () => {
      this.connected = true;
      this.heardAt = performance.now() - (this.ageMs === null ? 0 : this.age() - this.ageMs);
      this.opened();
    };
    socket.onmessage = (event) => {
      const decoded = decode(event.data);
      this.wait = FIRST_WAIT_MS;
      this.ageMs = decoded.header.age_ms;
      this.heardAt = performance.now();
      this.spokeAt = performance.now();
      this.message(decoded);
    };
    socket.onclose = () => {
      clearInterval(watch);
      this.connected = false;
      setTimeout(() => this.connect(), this.wait * (0.5 + Math.random()));
      this.wait = Math.min(this.wait * 2, LONGEST_WAIT_MS);
    };
    this.spokeAt = performance.now();
    const watch = setInterval(() => {
      if (performance.now() - this.spokeAt > QUIET_MS) socket.close();
    }, 1000);
  }

  // Milliseconds since the newest snapshot left the service; null before the first.
  age() {
    return this.ageMs === null ? null : this.ageMs + performance.now() - this.heardAt;
  }
}
