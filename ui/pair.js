// The code of a scanned address is behind its #, which no server sees; it fills the field and does nothing else.
"use strict";
const digits = location.hash.slice(1);
if (/^\d{8}$/.test(digits)) {
  document.getElementById("code").value = digits;
  history.replaceState(null, "", "/pair");
}
