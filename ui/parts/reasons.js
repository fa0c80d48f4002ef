// Reasons to take over into the field below: by finger, or by the arrow keys while one types there. They can be edited then.
function fieldOf(label) {
  return [...document.querySelectorAll("input")].find((input) => input.ariaLabel === label);
}

function fill(field, text) {
  // the framework watches the field's own setter
  Object.getOwnPropertyDescriptor(HTMLInputElement.prototype, "value").set.call(field, text);
  field.dispatchEvent(new Event("input", { bubbles: true }));
}

export default function ({ parentElement, data }) {
  const root = parentElement.querySelector(".reasons");
  let at = -1;
  root.setAttribute("aria-label", data.words);
  root.replaceChildren(...data.reasons.map((text) => {
    const chip = Object.assign(document.createElement("button"), { type: "button", textContent: text });
    chip.addEventListener("click", () => {
      const field = fieldOf(data.label);
      if (field) { fill(field, text); field.focus(); }
    });
    return chip;
  }));
  const step = (event) => {
    const by = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (!by || !data.reasons.length) return;
    at = (at + by + data.reasons.length + (at < 0 && by < 0 ? 1 : 0)) % data.reasons.length;
    fill(event.currentTarget, data.reasons[at]);
    event.preventDefault();
  };
  let tries = 20;
  let field = null;
  const start = () => {
    field = fieldOf(data.label);
    if (!field) { if (tries--) setTimeout(start, 50); return; }
    field.addEventListener("keydown", step);
    if (data.focus) field.focus();
  };
  start();
  return () => { tries = 0; field?.removeEventListener("keydown", step); };
}
