/* What the tablet keeps, in IndexedDB. WebKit may lose the connection while the tablet sleeps, so every act on the
   store is tried once more over a new one; what then fails is told to whoever asked. */
const NAME = "studylab-tablet";
const VERSION = 1;
let opened = null;

export function supported() {
  return window.isSecureContext && "indexedDB" in window && "serviceWorker" in navigator && Boolean(crypto.subtle);
}

function open() {
  if (opened) return opened;
  opened = new Promise((resolve, reject) => {
    const asked = indexedDB.open(NAME, VERSION);
    asked.onupgradeneeded = () => {
      // meta: the key and the last comparison of clocks; sheets: one a visit; outbox: acts in their order.
      asked.result.createObjectStore("meta", { keyPath: "name" });
      asked.result.createObjectStore("sheets", { keyPath: "visit" });
      asked.result.createObjectStore("outbox", { keyPath: "place", autoIncrement: true });
    };
    asked.onerror = () => reject(asked.error);
    asked.onblocked = () => reject(new Error("Another page keeps the store closed."));
    asked.onsuccess = () => {
      asked.result.onclose = forget;
      asked.result.onversionchange = () => { asked.result.close(); forget(); };
      resolve(asked.result);
    };
  });
  opened.catch(forget);
  return opened;
}

function forget() { opened = null; }

// One burst of requests in one transaction: nothing is awaited inside it, or it would be over before its end.
async function once(name, mode, ask) {
  const database = await open();
  return new Promise((resolve, reject) => {
    const work = database.transaction(name, mode, { durability: "strict" });
    const asked = ask(work.objectStore(name));
    work.oncomplete = () => resolve(asked && asked.result);
    work.onabort = () => reject(work.error || new Error("The tablet's store refused this."));
    work.onerror = () => reject(work.error);
  });
}

async function twice(name, mode, ask) {
  try {
    return await once(name, mode, ask);
  } catch (problem) {
    forget();
    return once(name, mode, ask);
  }
}

export const read = (name, key) => twice(name, "readonly", (rows) => rows.get(key));
export const all = (name) => twice(name, "readonly", (rows) => rows.getAll());
export const write = (name, row) => twice(name, "readwrite", (rows) => rows.put(row));
export const remove = (name, key) => twice(name, "readwrite", (rows) => rows.delete(key));
export const empty = (name) => twice(name, "readwrite", (rows) => rows.clear());
