/* How wrong the tablet's clock is. It is compared with the server's at every answer; the act itself keeps the last
   difference found before it, and the server judges whether that still held when the act was sent. */
import { read, write } from "./store.js";

let last = null;

export async function compared() {
  if (last === null) last = (await read("meta", "compared")) || null;
  return last;
}

// The server looked at its clock somewhere between the asking and the answer: in the middle, as far as is known.
export async function compare(serverNow, askedAt, answeredAt) {
  const off = Date.parse(serverNow) - (askedAt + answeredAt) / 2;
  if (Number.isNaN(off)) return;
  last = { name: "compared", off: Math.round(off), at: answeredAt };
  await write("meta", last);
}

// Now by the server's clock, as well as it is known.
export function serverNow() {
  return new Date(Date.now() + (last ? last.off : 0));
}
