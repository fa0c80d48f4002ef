// Enter leaves the field of the name, so that the next key is no letter of it; and this browser remembers who typed a name.
const KEPT = "photo-audit name";

function remembered() {
  try { return localStorage.getItem(KEPT) ?? ""; } catch { return ""; }
}

function remember(name) {
  try { localStorage.setItem(KEPT, name); } catch { /* a browser that keeps nothing asks anew */ }
}

export default function ({ data, setTriggerValue }) {
  if (data.typed) remember(data.name);
  else if (remembered() && remembered() !== data.name) setTriggerValue("name", remembered());
  const listen = (event) => {
    const field = event.composedPath()[0];
    if (event.key === "Enter" && field instanceof HTMLInputElement && field.ariaLabel === data.label) setTimeout(() => field.blur(), 0);
  };
  document.addEventListener("keydown", listen, true);
  return () => document.removeEventListener("keydown", listen, true);
}
