/* Acts that are not sent yet, in the order in which they were made. Each row says whose it is and of which visit; what
   was entered is sealed. "refused" waits for a person's decision, and everything of its visit waits behind it. */
import { compared } from "./clock.js";
import { seal, unseal } from "./key.js";
import { all, read, remove, write } from "./store.js";

// The id makes the act one act, however often it is sent; both clocks say when it was.
export async function keep(holder, { base, visit, step, short, fields, words }) {
  const clocks = await compared();
  const act = {
    base, visit, step, short, fields, words,
    id: fields.client_id || crypto.randomUUID(),
    device_at: new Date().toISOString(),
    compared_ms: clocks ? clocks.off : "",
  };
  act.fields.client_id = act.id;
  const row = { person: holder.person, visit, state: "waiting", ...(await seal(holder.key, act)) };
  const place = await write("outbox", row);
  return { ...act, place, state: "waiting" };
}

export async function mine(holder) {
  const rows = (await all("outbox")).filter((row) => row.person === holder.person);
  return Promise.all(rows.map(async (row) => ({ ...(await unseal(holder.key, row)), place: row.place, state: row.state })));
}

export async function counts(person) {
  const rows = await all("outbox");
  const own = rows.filter((row) => row.person === person);
  const refused = own.filter((row) => row.state === "refused");
  return { own: own.length, refused: refused.length, visit: refused.length ? refused[0].visit : "", others: rows.length - own.length };
}

// What a person decided, or what the server said, about an act that stays.
export async function change(holder, act, changes) {
  const row = await read("outbox", act.place);
  if (!row) return;
  const { place, state, ...content } = { ...act, ...changes };
  await write("outbox", { ...row, place, state, ...(await seal(holder.key, content)) });
}

export const drop = (act) => remove("outbox", act.place);
