// The site's drawing: a camera is chosen by a click or a key; zoom by two fingers, wheel with Ctrl, buttons or + and -, moved by
// dragging or the arrow keys. What is shown is the SVG's own viewBox, so that lines stay sharp.
const MOST = 12, STEP = 1.5, MOVE = 0.12;

function show(view) {
  const { svg, whole, box } = view;
  box.w = Math.min(whole.w, Math.max(whole.w / MOST, box.w));
  box.h = box.w * whole.h / whole.w;
  box.x = Math.min(whole.x + whole.w - box.w, Math.max(whole.x, box.x));
  box.y = Math.min(whole.y + whole.h - box.h, Math.max(whole.y, box.y));
  svg.setAttribute("viewBox", `${box.x} ${box.y} ${box.w} ${box.h}`);
  svg.classList.toggle("near", box.w < whole.w * 0.999);
}

function zoom(view, times, at = [0.5, 0.5]) {
  const { box, whole } = view, before = { ...box };
  box.w = Math.min(whole.w, Math.max(whole.w / MOST, box.w / times));
  box.h = box.w * whole.h / whole.w;
  box.x = before.x + at[0] * (before.w - box.w);
  box.y = before.y + at[1] * (before.h - box.h);
  show(view);
}

function move(view, across, down) {
  view.box.x += across * view.box.w;
  view.box.y += down * view.box.h;
  show(view);
}

function share(view, x, y) {
  const edge = view.svg.getBoundingClientRect();
  return [(x - edge.left) / edge.width, (y - edge.top) / edge.height];
}

function follow(view) {
  const { svg, held } = view;
  svg.onpointerdown = (event) => {
    held.set(event.pointerId, [event.clientX, event.clientY]);
    if (held.size === 1) view.moved = 0;
  };
  svg.onpointermove = (event) => {
    const was = held.get(event.pointerId);
    if (!was) return;
    const others = [...held.entries()].filter(([id]) => id !== event.pointerId).map(([, place]) => place);
    const now = [event.clientX, event.clientY], edge = svg.getBoundingClientRect();
    if (others.length) {
      const apart = (place) => Math.hypot(place[0] - others[0][0], place[1] - others[0][1]);
      zoom(view, apart(now) / Math.max(1, apart(was)), share(view, (now[0] + others[0][0]) / 2, (now[1] + others[0][1]) / 2));
      view.moved += 10;
    } else if (view.box.w < view.whole.w) {
      move(view, (was[0] - now[0]) / edge.width, (was[1] - now[1]) / edge.height);
    }
    view.moved += Math.hypot(now[0] - was[0], now[1] - was[1]);
    held.set(event.pointerId, now);
  };
  svg.onpointerup = svg.onpointercancel = svg.onpointerleave = (event) => { held.delete(event.pointerId); };
  svg.onwheel = (event) => {
    if (!event.ctrlKey) return;
    event.preventDefault();
    zoom(view, event.deltaY < 0 ? STEP : 1 / STEP, share(view, event.clientX, event.clientY));
  };
}

function keys(view, place) {
  place.onkeydown = (event) => {
    const way = { ArrowLeft: [-MOVE, 0], ArrowRight: [MOVE, 0], ArrowUp: [0, -MOVE], ArrowDown: [0, MOVE] }[event.key];
    const camera = event.target.closest("[data-camera]")?.dataset.camera;
    if (way) move(view, ...way);
    else if (event.key === "+" || event.key === "=") zoom(view, STEP);
    else if (event.key === "-") zoom(view, 1 / STEP);
    else if (event.key === "0") zoom(view, 1 / MOST);
    else if (camera && (event.key === "Enter" || event.key === " ")) view.choose(camera);
    else return;
    event.preventDefault();
    event.stopPropagation();
  };
}

function button(sign, label, act) {
  const made = Object.assign(document.createElement("button"), { type: "button", textContent: sign, onclick: act });
  made.setAttribute("aria-label", label);
  made.title = label;
  return made;
}

export default function ({ parentElement, data, setTriggerValue }) {
  const place = parentElement.querySelector(".drawing");
  if (place.shown === data.svg) return;
  place.shown = data.svg;
  const sheet = document.createElement("div");
  sheet.className = "sheet";
  sheet.innerHTML = data.svg;
  const svg = sheet.querySelector("svg");
  place.replaceChildren(sheet);
  if (!svg) return;
  sheet.tabIndex = 0;
  sheet.setAttribute("role", "group");
  sheet.setAttribute("aria-label", data.words.keys);
  const [x, y, w, h] = svg.getAttribute("viewBox").split(" ").map(Number);
  const view = { svg, whole: { x, y, w, h }, box: { x, y, w, h }, held: new Map(), moved: 0 };
  view.choose = (camera) => setTriggerValue("camera", camera);
  const bar = document.createElement("div");
  bar.className = "buttons";
  bar.append(button("+", data.words.nearer, () => zoom(view, STEP)), button("−", data.words.farther, () => zoom(view, 1 / STEP)),
    button("⤢", data.words.whole, () => zoom(view, 1 / MOST)));
  place.append(bar);
  follow(view);
  keys(view, sheet);
  sheet.onclick = (event) => {
    const camera = event.target.closest("[data-camera]")?.dataset.camera;
    if (camera && view.moved < 8) view.choose(camera);
  };
}
