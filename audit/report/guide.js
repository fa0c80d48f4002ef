// Takes photos camera by camera without a network. Each lies in this browser's own store (IndexedDB) before its button says
// "kept", so that a reload, a crash or a flat battery loses none. Hand in makes one ZIP (stored, APPNOTE 6.3.3) with a list.
"use strict";
(() => {
  const plan = JSON.parse(document.getElementById("guide").textContent);
  const say = plan.words;
  const told = document.querySelector("#bar output");
  const LOOKED_AT_PX = 480, DARK = 35, BRIGHT = 225, BLURRED = 40; // of 255; and of the Laplacian's spread (our defaults)
  const LARGEST_ZIP = 0xffffffff - 2 ** 24;

  const TABLE = Uint32Array.from({ length: 256 }, (_, n) => {
    let c = n;
    for (let k = 0; k < 8; k++) c = c & 1 ? 0xedb88320 ^ (c >>> 1) : c >>> 1;
    return c >>> 0;
  });
  function crc32(bytes) {
    let c = 0xffffffff;
    for (let i = 0; i < bytes.length; i++) c = TABLE[(c ^ bytes[i]) & 0xff] ^ (c >>> 8);
    return (c ^ 0xffffffff) >>> 0;
  }
  const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_, name) => String(values[name]));

  // The store.
  const opened = new Promise((resolve, reject) => {
    const asked = indexedDB.open(`photo-audit guide ${plan.logbook} ${plan.key}`, 1);
    asked.onupgradeneeded = () => {
      asked.result.createObjectStore("photos", { keyPath: "id", autoIncrement: true });
      asked.result.createObjectStore("settings");
    };
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
  });
  async function inStore(name, mode, work) {
    const store = await opened;
    return new Promise((resolve, reject) => {
      const change = store.transaction(name, mode, { durability: "strict" });
      const asked = work(change.objectStore(name));
      change.oncomplete = () => resolve(asked.result);
      change.onabort = change.onerror = () => reject(change.error || asked.error);
    });
  }
  const all = () => inStore("photos", "readonly", (s) => s.getAll());
  const setting = (name) => inStore("settings", "readonly", (s) => s.get(name));
  const keepSetting = (name, value) => inStore("settings", "readwrite", (s) => s.put(value, name));

  // What can be seen of a photo before its taker climbs down.
  async function look(file, shot, camera) {
    const doubts = [];
    let picture;
    try {
      picture = await createImageBitmap(file);
    } catch {
      return { doubts: [say.unreadable], checks: {} };
    }
    const scale = Math.min(1, LOOKED_AT_PX / Math.max(picture.width, picture.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.max(3, Math.round(picture.width * scale));
    canvas.height = Math.max(3, Math.round(picture.height * scale));
    const pen = canvas.getContext("2d", { willReadFrequently: true });
    pen.drawImage(picture, 0, 0, canvas.width, canvas.height);
    const { data, width, height } = pen.getImageData(0, 0, canvas.width, canvas.height);
    const grey = new Float32Array(width * height);
    let sum = 0;
    for (let i = 0; i < grey.length; i++) {
      grey[i] = 0.299 * data[4 * i] + 0.587 * data[4 * i + 1] + 0.114 * data[4 * i + 2];
      sum += grey[i];
    }
    let edges = 0, squares = 0, count = 0;
    for (let y = 1; y < height - 1; y++) for (let x = 1; x < width - 1; x++) {
      const at = y * width + x;
      const bend = 4 * grey[at] - grey[at - 1] - grey[at + 1] - grey[at - width] - grey[at + width];
      edges += bend; squares += bend * bend; count++;
    }
    const brightness = sum / grey.length, sharpness = squares / count - (edges / count) ** 2;
    if (brightness < DARK) doubts.push(say.dark);
    if (brightness > BRIGHT) doubts.push(say.bright);
    if (sharpness < BLURRED) doubts.push(say.blurred);
    const checks = { brightness: Math.round(brightness), sharpness: Math.round(sharpness), code: null };
    if (shot === "label") await readCode(picture, camera, doubts, checks);
    picture.close();
    return { doubts, checks };
  }
  // By the browser's own reader where it has one (it reads barcodes too), else by the one that this page carries.
  const READ_AT_PX = [1600, 800]; // the second smooths what is noisy or blurred
  async function codesIn(picture) {
    if ("BarcodeDetector" in window) {
      try {
        return { codes: (await new BarcodeDetector().detect(picture)).map((found) => found.rawValue), none: say.no_code };
      } catch { /* some systems name it and have none */ }
    }
    const canvas = document.createElement("canvas");
    for (const side of READ_AT_PX) {
      const scale = Math.min(1, side / Math.max(picture.width, picture.height));
      canvas.width = Math.max(1, Math.round(picture.width * scale));
      canvas.height = Math.max(1, Math.round(picture.height * scale));
      const pen = canvas.getContext("2d", { willReadFrequently: true });
      pen.drawImage(picture, 0, 0, canvas.width, canvas.height);
      try {
        return { codes: [readQR.decodeQR(pen.getImageData(0, 0, canvas.width, canvas.height))], none: say.no_qr };
      } catch { /* no code at this size */ }
    }
    return { codes: [], none: say.no_qr };
  }
  async function readCode(picture, camera, doubts, checks) {
    const { codes: found, none } = await codesIn(picture);
    const codes = found.map((code) => code.trim().toLowerCase()).filter(Boolean);
    checks.code = codes[0] ?? null;
    const whose = plan.cameras.find((c) => codes.some((code) => [c.serial, c.camera].some((id) => id && code.includes(id.toLowerCase()))));
    if (!codes.length) doubts.push(none);
    else if (whose && whose.camera !== camera) doubts.push(fill(say.other_label, { other: whose.camera }));
  }

  // Where the phone is, if it says so.
  const here = { position: null, heading: null };
  const where = document.getElementById("where");
  where.addEventListener("change", () => {
    if (!where.checked || !navigator.geolocation) return;
    navigator.geolocation.watchPosition(
      ({ coords }) => { here.position = { latitude: coords.latitude, longitude: coords.longitude, accuracy_m: coords.accuracy }; },
      () => { where.checked = false; told.textContent = say.no_position; }, { enableHighAccuracy: true });
    window.addEventListener("deviceorientationabsolute", (event) => { if (event.alpha !== null) here.heading = (360 - event.alpha) % 360; });
  });

  async function take(button, camera, shot, file) {
    const said = button.querySelector(".said");
    said.textContent = say.checking;
    try {
      const bytes = new Uint8Array(await file.arrayBuffer());
      const { doubts, checks } = await look(file, shot, camera);
      const sha256 = crypto.subtle ? [...new Uint8Array(await crypto.subtle.digest("SHA-256", bytes))].map((b) => b.toString(16).padStart(2, "0")).join("") : null;
      await inStore("photos", "readwrite", (s) => s.add({
        camera, shot, name: file.name, blob: new Blob([bytes], { type: file.type }), crc: crc32(bytes), size: bytes.length, sha256,
        taken_at: new Date().toISOString(), position: where.checked ? here.position : null,
        heading_deg: where.checked ? here.heading : null, doubts, checks,
      }));
      await draw();
    } catch (error) {
      said.textContent = error && error.name === "QuotaExceededError" ? say.full : fill(say.failed, { why: (error && error.message) || "" });
      button.classList.add("doubt");
    }
  }

  const shown = new Map();
  function figure(photo) {
    const made = document.createElement("figure"), image = document.createElement("img"), away = document.createElement("button");
    image.src = URL.createObjectURL(photo.blob);
    image.alt = `${photo.camera}: ${photo.shot}`;
    away.type = "button"; away.className = "plain"; away.textContent = say.take_away;
    away.setAttribute("aria-label", `${say.take_away}: ${photo.camera}, ${photo.shot}`);
    away.addEventListener("click", async () => { await inStore("photos", "readwrite", (s) => s.delete(photo.id)); await draw(); });
    made.append(image, away);
    shown.set(photo.id, { made, url: image.src });
    return made;
  }

  async function draw() {
    const photos = await all();
    const there = new Set(photos.map((p) => p.id));
    for (const [id, { made, url }] of shown) if (!there.has(id)) { URL.revokeObjectURL(url); made.remove(); shown.delete(id); }
    let wanted = 0, kept = 0;
    for (const section of document.querySelectorAll("section.camera")) {
      let whole = true;
      for (const button of section.querySelectorAll(".shot")) {
        const own = photos.filter((p) => p.camera === section.dataset.camera && p.shot === button.dataset.shot);
        const doubts = [...new Set(own.flatMap((p) => p.doubts))];
        button.classList.toggle("kept", own.length > 0 && !doubts.length);
        button.classList.toggle("doubt", doubts.length > 0);
        button.querySelector(".said").textContent = own.length ? [fill(say.kept, { n: own.length }), ...doubts].join(" ") : button.classList.contains("optional") ? "" : say.missing;
        const strip = button.nextElementSibling;
        for (const photo of own) if (!shown.has(photo.id)) strip.append(figure(photo));
        if (button.classList.contains("optional")) continue;
        wanted += 1; kept += own.length ? 1 : 0; whole = whole && own.length > 0;
      }
      section.classList.toggle("whole", whole);
    }
    told.textContent = fill(say.count, { kept, wanted, photos: photos.length });
  }

  // One ZIP: the photos' own bytes are referred to, not copied.
  function packed(pairs) {
    const out = [];
    for (const [value, bytes] of pairs) for (let k = 0; k < bytes; k++) out.push(Math.floor(value / 2 ** (8 * k)) % 256);
    return new Uint8Array(out);
  }
  function zip(files) {
    const parts = [], directory = [];
    let at = 0, directoryBytes = 0;
    for (const { name, blob, crc, size } of files) {
      const named = new TextEncoder().encode(name);
      const shared = [[20, 2], [0x0800, 2], [0, 2], [0, 2], [0x21, 2], [crc, 4], [size, 4], [size, 4], [named.length, 2], [0, 2]];
      const head = packed([[0x04034b50, 4], ...shared]);
      const entry = packed([[0x02014b50, 4], [20, 2], ...shared, [0, 2], [0, 2], [0, 2], [0, 4], [at, 4]]);
      parts.push(head, named, blob);
      directory.push(entry, named);
      at += head.length + named.length + size;
      directoryBytes += entry.length + named.length;
    }
    const end = packed([[0x06054b50, 4], [0, 2], [0, 2], [files.length, 2], [files.length, 2], [directoryBytes, 4], [at, 4], [0, 2]]);
    return new Blob([...parts, ...directory, end], { type: "application/zip" });
  }
  const plain = (text) => text.replace(/[^A-Za-z0-9-]+/g, "_");
  async function handIn() {
    const by = document.getElementById("by").value.trim(), photos = await all();
    if (!by || !photos.length) { told.textContent = by ? say.none : say.unnamed; return; }
    if (photos.reduce((sum, p) => sum + p.size, 0) > LARGEST_ZIP) { told.textContent = say.too_many; return; }
    let folder = await setting("folder");
    if (!folder) {
      folder = `guide-${[...crypto.getRandomValues(new Uint8Array(6))].map((b) => b.toString(16).padStart(2, "0")).join("")}`;
      await keepSetting("folder", folder);
    }
    const list = [], files = [];
    for (const p of photos) {
      const ending = (/\.[A-Za-z0-9]{2,5}$/.exec(p.name) || [".jpg"])[0].toLowerCase();
      const file = `${plain(p.camera)}_${plain(p.shot)}_${p.id}${ending}`;
      files.push({ name: `${folder}/${file}`, blob: p.blob, crc: p.crc, size: p.size });
      list.push({ file, camera: p.camera, shot: p.shot, name: p.name, taken_at: p.taken_at, sha256: p.sha256, position: p.position,
        heading_deg: p.heading_deg, checks: p.checks });
    }
    const text = new TextEncoder().encode(JSON.stringify({ format: plan.format, logbook: plan.logbook, by, photos: list }));
    files.push({ name: `${folder}/${plan.list}`, blob: new Blob([text]), crc: crc32(text), size: text.length });
    const link = document.createElement("a");
    link.href = URL.createObjectURL(zip(files));
    link.download = `photos-${folder.slice(6)}.zip`;
    link.click();
    told.textContent = fill(say.saved, { n: photos.length });
  }

  document.getElementById("hand-in").addEventListener("click", handIn);
  document.getElementById("next").addEventListener("click", () => {
    const next = [...document.querySelectorAll(".shot:not(.optional)")].find((b) => !b.classList.contains("kept") && !b.classList.contains("doubt"));
    if (next) { next.scrollIntoView({ block: "center" }); next.querySelector("input").focus(); } else told.textContent = say.whole;
  });
  document.getElementById("by").addEventListener("change", (event) => keepSetting("by", event.target.value));
  for (const input of document.querySelectorAll(".shot input")) {
    input.addEventListener("change", async () => {
      const button = input.closest(".shot"), camera = input.closest("section").dataset.camera;
      for (const file of [...input.files]) await take(button, camera, button.dataset.shot, file);
      input.value = "";
    });
  }
  if (navigator.storage && navigator.storage.persist) navigator.storage.persist();
  opened.then(async () => {
    document.getElementById("by").value = (await setting("by")) || "";
    await draw();
    document.body.dataset.ready = "yes";
  }).catch(() => { told.textContent = say.no_store; });
})();
