// Letters that press a button, unless somebody types.
let wanted = {};
function typing(target) {
  return target instanceof HTMLElement && (target.isContentEditable || /^(INPUT|TEXTAREA|SELECT)$/.test(target.tagName));
}
function listen(event) {
  if (event.ctrlKey || event.metaKey || event.altKey || typing(event.composedPath()[0])) return;
  const button = document.querySelector(`.st-key-${wanted[event.key.toLowerCase()]} button`);
  if (!button || button.disabled) return;
  event.preventDefault();
  event.stopImmediatePropagation();
  button.click();
}
export default function ({ data }) {
  wanted = data.keys;
  document.addEventListener("keydown", listen, true);
  return () => document.removeEventListener("keydown", listen, true);
}
