// Letters that press a button, unless somebody types.
function typing(target) {
  return target instanceof HTMLElement && (target.isContentEditable || /^(INPUT|TEXTAREA|SELECT)$/.test(target.tagName));
}

export default function ({ data }) {
  const listen = (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || typing(event.composedPath()[0])) return;
    const button = document.querySelector(`.st-key-${data.keys[event.key.toLowerCase()]} button`);
    if (!button || button.disabled) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    button.click();
  };
  document.addEventListener("keydown", listen, true);
  return () => document.removeEventListener("keydown", listen, true);
}
