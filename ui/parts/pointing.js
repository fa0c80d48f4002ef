// A picture on which one place is pointed out: by a click, by dragging the cross, or by the arrow keys and Enter.
const SVG = "http://www.w3.org/2000/svg";

function shape(kind, properties) {
  const made = document.createElementNS(SVG, kind);
  for (const [name, value] of Object.entries(properties)) made.setAttribute(name, value);
  return made;
}

function draw(view, data) {
  const [x, y] = view.at;
  const parts = [];
  for (const name of ["under", "region"]) {
    if (!data.mark) continue;
    parts.push(shape("ellipse", { class: name, cx: 100 * data.mark[0], cy: 100 * data.mark[1],
      rx: Math.max(1, 100 * data.region[0]), ry: Math.max(1, 100 * data.region[1]) }));
  }
  for (const name of ["under", "cross"]) {
    parts.push(shape("path", { class: name, fill: "none", d: `M ${100 * x - 1.5} ${100 * y} h 3 M ${100 * x} ${100 * y - 2.5} v 5` }));
  }
  view.layer.replaceChildren(...parts);
}

export default function ({ parentElement, data, setTriggerValue }) {
  const frame = parentElement.querySelector(".point");
  const view = frame.view ?? (frame.view = {});
  if (view.of !== data.of) {
    view.of = data.of;
    view.at = data.mark ?? [0.5, 0.5];
    const image = Object.assign(document.createElement("img"), { src: data.src, alt: data.alt, draggable: false });
    view.layer = shape("svg", { viewBox: "0 0 100 100", preserveAspectRatio: "none", "aria-hidden": "true" });
    frame.replaceChildren(image, view.layer);
    frame.style.aspectRatio = data.aspect;
    frame.style.maxWidth = `calc(85vh * ${data.aspect})`;
  }
  frame.tabIndex = 0;
  frame.setAttribute("role", "application");
  frame.setAttribute("aria-label", data.label);
  draw(view, data);
  if (!data.enabled) { frame.onpointerdown = frame.onpointermove = frame.onpointerup = frame.onkeydown = null; return; }
  const follow = (event) => {
    const box = frame.getBoundingClientRect();
    view.at = [(event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height]
      .map((value) => Math.min(1, Math.max(0, value)));
    draw(view, data);
  };
  frame.onpointerdown = (event) => { view.held = true; frame.setPointerCapture(event.pointerId); follow(event); };
  frame.onpointermove = (event) => { if (view.held) follow(event); };
  frame.onpointerup = (event) => {
    if (!view.held) return;
    view.held = false;
    follow(event);
    setTriggerValue("at", [...view.at, data.of]);
  };
  frame.onkeydown = (event) => {
    const step = event.shiftKey ? 0.002 : 0.01;
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (!way && event.key !== "Enter") return;
    event.preventDefault();
    event.stopPropagation();
    if (way) {
      view.at = view.at.map((value, axis) => Math.min(1, Math.max(0, value + way[axis] * step)));
      draw(view, data);
    } else setTriggerValue("at", [...view.at, data.of]);
  };
}
