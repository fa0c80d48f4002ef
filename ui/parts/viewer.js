// Pictures in frames of fixed shape. Side by side they share one zoom and one place; in "wipe" two lie over each other.
const LIMIT = 8;
const KEPT_AHEAD = 12;
// Pictures that were fetched ahead, by token, the oldest first; one lot for the whole page.
const kept = (window.photoAuditPictures ??= new Map());

function keep(pictures) {
  for (const { token, src } of pictures) {
    const image = element("img", { src });
    image.decode().catch(() => {});
    kept.set(token, image);
  }
  for (const token of [...kept.keys()].slice(0, Math.max(0, kept.size - KEPT_AHEAD))) kept.delete(token);
}

function element(kind, properties = {}, ...children) {
  const made = Object.assign(document.createElement(kind), properties);
  made.append(...children);
  return made;
}

function place(view) {
  for (const image of view.images) {
    image.style.transformOrigin = `${view.x}% ${view.y}%`;
    image.style.transform = `scale(${view.zoom})`;
  }
  if (view.slider) view.slider.value = view.zoom;
}

function move(view, x, y) {
  view.x = Math.min(100, Math.max(0, x));
  view.y = Math.min(100, Math.max(0, y));
  place(view);
}

function zoomTo(view, zoom) {
  view.zoom = Math.min(LIMIT, Math.max(1, zoom));
  place(view);
}

function keys(view, event) {
  const step = 12 / view.zoom;
  const doing = {
    "+": () => zoomTo(view, view.zoom * 1.5), "-": () => zoomTo(view, view.zoom / 1.5), "0": () => zoomTo(view, 1),
    ArrowLeft: () => move(view, view.x - step, view.y), ArrowRight: () => move(view, view.x + step, view.y),
    ArrowUp: () => move(view, view.x, view.y - step), ArrowDown: () => move(view, view.x, view.y + step),
  }[event.key];
  if (!doing) return;
  doing();
  event.preventDefault();
  event.stopPropagation();
}

function listen(view, frame) {
  frame.tabIndex = 0;
  frame.addEventListener("keydown", (event) => keys(view, event));
  frame.addEventListener("dblclick", (event) => {
    const box = frame.getBoundingClientRect();
    move(view, ((event.clientX - box.left) / box.width) * 100, ((event.clientY - box.top) / box.height) * 100);
    zoomTo(view, view.zoom < LIMIT ? view.zoom * 2 : 1);
  });
  frame.addEventListener("pointerdown", (event) => { view.from = [event.clientX, event.clientY]; });
  frame.addEventListener("pointermove", (event) => {
    if (!view.from || view.zoom === 1) return;
    const box = frame.getBoundingClientRect();
    const share = 100 / (view.zoom - 1);
    move(view, view.x - ((event.clientX - view.from[0]) / box.width) * share,
      view.y - ((event.clientY - view.from[1]) / box.height) * share);
    view.from = [event.clientX, event.clientY];
  });
  for (const end of ["pointerup", "pointerleave"]) frame.addEventListener(end, () => { view.from = null; });
}

function range(label, min, max, step, value, changed) {
  const slider = element("input", { type: "range", min, max, step, value });
  slider.setAttribute("aria-label", label);
  slider.addEventListener("input", () => changed(Number(slider.value)));
  slider.addEventListener("keydown", (event) => event.stopPropagation());
  return slider;
}

function beside(root, data, view) {
  view.images = [];
  const figures = data.pictures.map((picture) => {
    const image = element("img", { src: picture.src, alt: picture.alt, draggable: false });
    const frame = element("div", { className: "frame" }, image);
    frame.style.aspectRatio = data.aspect;
    frame.setAttribute("role", "group");
    frame.setAttribute("aria-label", `${picture.alt}. ${data.words.keys}`);
    listen(view, frame);
    view.images.push(image);
    return element("figure", {}, frame, element("figcaption", { textContent: picture.caption }));
  });
  if (!data.zoom) {
    root.replaceChildren(element("div", { className: "pictures" }, ...figures));
    return;
  }
  view.slider = range(data.words.zoom, 1, LIMIT, 0.25, view.zoom, (zoom) => zoomTo(view, zoom));
  const controls = element("div", { className: "controls" },
    element("span", { textContent: data.words.zoom }), view.slider);
  root.replaceChildren(element("div", { className: `pictures of${figures.length}` }, ...figures), controls);
  place(view);
}

function wiped(root, data) {
  const [reference, today] = data.pictures.map((p) => element("img", { src: p.src, alt: p.alt, draggable: false }));
  const line = element("div", { className: "line" });
  const frame = element("div", { className: "frame" }, today, reference, line);
  frame.style.aspectRatio = data.aspect;
  const cut = (share) => {
    reference.style.clipPath = `inset(0 ${100 - share}% 0 0)`;
    line.style.left = `${share}%`;
  };
  const slider = range(data.words.wipe, 0, 100, 1, 50, cut);
  cut(50);
  const captions = element("div", { className: "ends" }, ...data.pictures.map((p) =>
    element("span", { textContent: p.caption })));
  root.replaceChildren(frame, element("div", { className: "controls" }, slider), captions);
}

// The next camera's pictures, shown at once when a key goes on; what stands beside them is dimmed until the page has followed.
const FOLLOWS_MS = 5000;
const going = (window.photoAuditGoing ??= { next: null, keys: [], shown: null, root: null, present: null, render: null, timer: 0 });

function dim(on) {
  for (const part of document.querySelectorAll(".st-key-review-findings, .st-key-review-crew, .title")) part.classList.toggle("going-on", on);
}

function told(what) {
  return JSON.stringify([what.of, what.aspect, what.pictures.map(({ token, caption }) => [token, caption])]);
}

function stay() {
  clearTimeout(going.timer);
  dim(false);
  if (going.shown && going.root?.isConnected) going.render();
  going.shown = null;
}

function goOn(event) {
  const place = event.composedPath()[0];
  const busy = place.closest?.("input, textarea, select, a, summary, [role=button], [contenteditable], .frame, button") && !place.closest(".st-key-accept_all");
  if (!going.keys.includes(event.key) || event.repeat || event.ctrlKey || event.altKey || event.metaKey || event.shiftKey || busy) return;
  const next = going.next;
  if (!next || going.shown || !going.root?.isConnected || document.querySelector("[role=dialog]")) return;
  if (!next.pictures.every((picture) => kept.has(picture.token))) return;
  going.shown = told(next);
  going.timer = setTimeout(stay, FOLLOWS_MS);
  requestAnimationFrame(() => {
    if (going.shown !== told(next)) return;
    dim(true);
    going.present(next);
  });
}

if (!window.photoAuditListens) {
  window.photoAuditListens = true;
  document.addEventListener("keydown", goOn, true);
}

function ahead(data) {
  keep(data.ahead);
  stay();  // the page has followed, or it stayed where it was: its own pictures count
  going.next = data.next;
  going.keys = data.keys;
}

export default function ({ parentElement, data, setTriggerValue }) {
  if (data.ahead) { ahead(data); return; }
  const lost = data.pictures.find((picture) => !picture.src && !kept.has(picture.token));
  if (lost) { setTriggerValue("lost", lost.token); return; }
  for (const picture of data.pictures) picture.src ??= kept.get(picture.token).src;
  const root = parentElement.querySelector(".viewer");
  const view = root.view ?? (root.view = { zoom: 1, x: 50, y: 50, images: [] });
  const present = (what) => {
    for (const picture of what.pictures) picture.src ??= kept.get(picture.token)?.src;
    if (view.of !== what.of) Object.assign(view, { of: what.of, zoom: 1, x: 50, y: 50 });
    if (what.wipe) wiped(root, what); else beside(root, what, view);
  };
  if (root.closest(".st-key-viewer") || root.getRootNode().host?.closest(".st-key-viewer")) {
    const same = going.shown === told(data);
    Object.assign(going, { root, present, render: () => present(data), shown: null });
    if (same) return;
  }
  present(data);
}
