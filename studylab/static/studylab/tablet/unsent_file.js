/* A tablet that finds no network any more hands over what it holds: a file of the entries as they lie here, sealed. So it
   can be saved from a locked page too; who made an entry takes it in, signed in on another device. Nothing goes from here. */
import { make, times } from "./dom.js";
import { all } from "./store.js";

function base64(bytes) {
  let text = "";
  for (const byte of new Uint8Array(bytes)) text += String.fromCharCode(byte);
  return btoa(text);
}

async function content() {
  const rows = (await all("outbox")).map((row) => ({ person: row.person, iv: base64(row.iv), box: base64(row.box) }));
  const lines = rows.map((row) => row.person + "." + row.iv + "." + row.box).join("\n");
  const sum = new Uint8Array(await crypto.subtle.digest("SHA-256", new TextEncoder().encode(lines)));
  const sha256 = [...sum].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return JSON.stringify({ studylab_unsent: 1, rows, sha256 });
}

async function save() {
  const url = URL.createObjectURL(new Blob([await content()], { type: "application/json" }));
  const link = make("a", { href: url, download: "studylab-unsent-" + new Date().toISOString().slice(0, 16).replace(":", "") + ".json", hidden: true });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(url), 60000);
}

export function saveBox(waiting) {
  if (!waiting) return "";
  return make("details", { class: "tablet-save" }, make("summary", {}, "This tablet finds no network any more"),
    make("p", {}, "Save " + times(waiting, "the entry that waits", "entries that wait") + " as a file and carry it to a device that has network. " +
      "Who made them takes them in there, signed in: Today, “Take in a tablet’s file”. The file is sealed and can be read by nobody else. The entries stay here too; sent later they count once."),
    make("div", { class: "actions" }, make("button", { class: "btn btn-secondary", type: "button", on: { click: save } }, "Save the file")));
}
