// The editor of study documents: line numbers, a Tab that writes spaces and can be escaped, and jumps to a line.
const area = document.querySelector("[data-editor]");
const gutter = document.querySelector("[data-editor-lines]");
let leaves = false;

function number() {
    const lines = area.value.split("\n").length;
    gutter.textContent = Array.from({ length: lines }, (_, index) => index + 1).join("\n");
    gutter.scrollTop = area.scrollTop;
}

function jump(line) {
    const before = area.value.split("\n").slice(0, line - 1).join("\n");
    const start = line > 1 ? before.length + 1 : 0;
    const end = area.value.indexOf("\n", start);
    area.focus();
    area.setSelectionRange(start, end < 0 ? area.value.length : end);
    const height = parseFloat(getComputedStyle(area).lineHeight);
    area.scrollTop = Math.max(0, (line - 5) * height);
    area.scrollIntoView({ block: "center" });
}

area.addEventListener("keydown", (event) => {
    if (event.key === "Escape") leaves = true;
    else if (event.key === "Tab" && !event.shiftKey && !leaves) {
        event.preventDefault();
        area.setRangeText("    ", area.selectionStart, area.selectionEnd, "end");
        area.dispatchEvent(new Event("input", { bubbles: true }));
    } else if (event.key !== "Shift") leaves = false;
});
area.addEventListener("blur", () => { leaves = false; });
area.addEventListener("input", number);
area.addEventListener("scroll", () => { gutter.scrollTop = area.scrollTop; });
document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-editor-line]");
    if (button) jump(Number(button.dataset.editorLine));
});
number();
