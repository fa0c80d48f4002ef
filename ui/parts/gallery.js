// Photos in cells of one size, each a button: Enter or a click chooses it, a letter says at once what it shows or whose it is.
function cell(photo, say) {
  const button = Object.assign(document.createElement("button"), { type: "button", title: photo.name, disabled: !say });
  button.setAttribute("aria-pressed", String(photo.chosen));
  button.dataset.photo = photo.name;
  button.dataset.seen = photo.seen;
  const image = Object.assign(document.createElement("img"), { src: photo.src, alt: photo.alt });
  const caption = Object.assign(document.createElement("span"), { textContent: photo.caption });
  button.append(image, caption);
  return button;
}

export default function ({ parentElement, data, setTriggerValue }) {
  const grid = parentElement.querySelector(".gallery");
  const focused = grid.querySelector(":focus")?.dataset.photo;
  grid.setAttribute("role", "group");
  grid.setAttribute("aria-label", data.label);
  grid.replaceChildren(...data.photos.map((photo) => cell(photo, data.enabled)));
  if (focused) [...grid.children].find((one) => one.dataset.photo === focused)?.focus();
  grid.onclick = (event) => {
    const button = event.target.closest("button");
    if (button) setTriggerValue("said", [button.dataset.photo, "choose", Number(button.dataset.seen)]);
  };
  grid.onkeydown = (event) => {
    const button = event.target.closest("button");
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === "Enter" || event.key === " ") { event.stopPropagation(); return; }
    const said = data.keys[event.key.toLowerCase()];
    if (!button || !said || !data.enabled) return;
    event.preventDefault();
    event.stopPropagation();
    setTriggerValue("said", [button.dataset.photo, said, Number(button.dataset.seen)]);
  };
}
