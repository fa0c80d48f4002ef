// Letters that press a button, unless somebody types; and Enter is for the button that the keyboard stands on.
function typing(target) {
  return target instanceof HTMLElement && (target.isContentEditable || /^(INPUT|TEXTAREA|SELECT)$/.test(target.tagName));
}

export default function ({ data }) {
  const listen = (event) => {
    const target = event.composedPath()[0];
    if (event.ctrlKey || event.metaKey || event.altKey || typing(target)) return;
    if (event.key === "Enter" && target instanceof HTMLButtonElement && target.matches(":focus-visible")) {
      event.stopImmediatePropagation();
      return;
    }
    const button = document.querySelector(`.st-key-${data.keys[event.key.toLowerCase()]} button`);
    if (!button || button.disabled) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    button.click();
  };
  document.addEventListener("keydown", listen, true);
  return () => document.removeEventListener("keydown", listen, true);
}
