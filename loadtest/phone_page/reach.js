// Can this phone reach the house, and by which name? Answers with a key of the server's causes, or "".

const PATIENCE_MS = 6000;

export function isAddress(host) {
  return /^[0-9.]+$/.test(host) || host.includes(":");
}

export function origin(kind, relay, host) {
  return `${kind}${relay.tls ? "s" : ""}://${host}:${relay.port}`;
}

/** Whether anything at all answers there over HTTP: the answer itself stays unread, it is another origin's. */
async function answers(base) {
  try {
    await fetch(`${base}/health`, {
      mode: "no-cors", cache: "no-store", credentials: "omit", signal: AbortSignal.timeout(PATIENCE_MS),
    });
    return true;
  } catch {
    return false;
  }
}

/** {cause, found}: tries the house by its name, then by the addresses that the check's machine knows for it. */
export async function reach(config, host) {
  const relay = config.relay;
  if (location.protocol === "https:" && !relay.tls) return { cause: "mixed", found: "" };
  if (await answers(origin("http", relay, host))) {
    return { cause: "", found: isAddress(host) ? `${host} is an address and answers` : `${host} is known and answers` };
  }
  if (relay.tls && config.certificate) return { cause: "certificate", found: config.certificate };
  const others = config.addresses.filter((a) => a !== host && !a.includes(":"));
  for (const address of others) {
    if (await answers(origin("http", relay, address))) return { cause: "name", found: `${address} answers` };
  }
  if (relay.tls) return { cause: "certificate", found: `${host} did not complete an encrypted connection` };
  return { cause: host === location.hostname ? "port" : "way", found: "" };
}
