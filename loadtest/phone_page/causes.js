// From what was seen to the key of its cause (the server knows the words). Pure.

export const SILENCE_MS = 5000; // acknowledgements come once a second; five without one is a standstill
const REFUSED = [4001, 4002, 4003, 4004]; // relay/PROTOCOL.md: coming back does not help
const TAKEN_OVER = 4005;

/** Why the phone did not come in. */
export function joinCause(visit) {
  if (REFUSED.includes(visit.code)) return "card";
  if (visit.code === TAKEN_OVER) return "second";
  if (visit.later) return "full";
  if (!visit.opened) return "websocket";
  return "acknowledgement";
}

/** Why the phone did not hold, most telling first; "" when it did. */
export function holdCause(visit, seen) {
  if (visit.code === TAKEN_OVER) return "second";
  const silent = visit.stalled || visit.silence > SILENCE_MS;
  if (!visit.reconnects && visit.live && !silent) return "";
  if (seen.mobile || seen.moved) return "mobile";
  if (seen.offline) return "offline";
  if (seen.hidden) return "hidden";
  if (seen.away) return "away";
  return visit.stalled || !visit.reconnects ? "silence" : "dropped";
}
