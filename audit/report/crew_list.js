// The crew's answers as one ZIP (stored, not packed; APPNOTE 6.3.3): answers.json and the pictures. Nothing is sent anywhere.
"use strict";
(() => {
  const TABLE = Uint32Array.from({ length: 256 }, (_, n) => {
    let c = n;
    for (let k = 0; k < 8; k++) c = c & 1 ? 0xedb88320 ^ (c >>> 1) : c >>> 1;
    return c >>> 0;
  });
  const LOCAL = 0x04034b50, CENTRAL = 0x02014b50, END = 0x06054b50, UTF8 = 0x0800, FIRST_DAY = 0x21;

  function crc32(bytes) {
    let c = 0xffffffff;
    for (const b of bytes) c = TABLE[(c ^ b) & 0xff] ^ (c >>> 8);
    return (c ^ 0xffffffff) >>> 0;
  }

  // Numbers as [value, bytes] pairs, little end first.
  function packed(pairs) {
    const out = [];
    for (const [value, bytes] of pairs) for (let k = 0; k < bytes; k++) out.push(Math.floor(value / 2 ** (8 * k)) % 256);
    return new Uint8Array(out);
  }

  function zip(files) {
    const parts = [], directory = [];
    let at = 0, directoryBytes = 0;
    for (const { name, bytes } of files) {
      const named = new TextEncoder().encode(name);
      const shared = [[20, 2], [UTF8, 2], [0, 2], [0, 2], [FIRST_DAY, 2], [crc32(bytes), 4], [bytes.length, 4], [bytes.length, 4],
        [named.length, 2], [0, 2]];
      const head = packed([[LOCAL, 4], ...shared]);
      const entry = packed([[CENTRAL, 4], [20, 2], ...shared, [0, 2], [0, 2], [0, 2], [0, 4], [at, 4]]);
      parts.push(head, named, bytes);
      directory.push(entry, named);
      at += head.length + named.length + bytes.length;
      directoryBytes += entry.length + named.length;
    }
    const end = packed([[END, 4], [0, 2], [0, 2], [files.length, 2], [files.length, 2], [directoryBytes, 4], [at, 4], [0, 2]]);
    return new Blob([...parts, ...directory, end], { type: "application/zip" });
  }

  const handIn = document.getElementById("hand-in");
  const tasks = [...document.querySelectorAll(".answer")];
  const told = handIn.querySelector("output");
  const picture = (task) => task.querySelector("input[type=file]").files[0];

  async function save() {
    const by = handIn.querySelector("input").value.trim();
    const done = tasks.filter(picture);
    if (!by || !done.length) {
      told.textContent = by ? handIn.dataset.none : handIn.dataset.unnamed;
      return;
    }
    const answers = [], files = [];
    for (const task of done) {
      const file = picture(task), photo = `photos/${files.length + 1}`;
      files.push({ name: photo, bytes: new Uint8Array(await file.arrayBuffer()) });
      answers.push({ camera: task.dataset.camera, checks: JSON.parse(task.dataset.checks), photo, name: file.name,
        words: task.querySelector("input[type=text]").value.trim() });
    }
    const list = { format: handIn.dataset.format, logbook: handIn.dataset.logbook, visit: Number(handIn.dataset.visit), by, answers };
    files.unshift({ name: "answers.json", bytes: new TextEncoder().encode(JSON.stringify(list)) });
    const link = document.createElement("a");
    link.href = URL.createObjectURL(zip(files));
    link.download = handIn.dataset.file;
    link.click();
    told.textContent = handIn.dataset.saved.replace("{n}", String(done.length));
  }

  handIn.querySelector("button").addEventListener("click", save);
})();
