/* Signing out empties the tablet: run sheets, key and pages go. Acts that were not sent stay sealed, as a count. */
import { leave } from "./key.js";
import { supported } from "./store.js";

const box = document.querySelector("[data-tablet-left]");

async function emptied() {
  const names = indexedDB.databases ? (await indexedDB.databases()).map((one) => one.name) : ["studylab-tablet"];
  if (!names.includes("studylab-tablet")) return;
  const left = await leave();
  if (!left || !box) return;
  box.textContent = (left === 1 ? "1 entry" : left + " entries") + " on this tablet could not be sent yet. " +
    "They are sealed, and sent when the person who made them signs in here.";
  box.hidden = false;
}

if (supported()) emptied();
