// The code stands behind the #, so no server and no log on the way sees it. It is sent on a
// tap alone: a link that a program opened to look at it costs nothing.
const code = /^#join=([\w-]{43})$/.exec(location.hash);
const join = document.getElementById("join");
if (code && join) {
  history.replaceState(null, "", location.pathname);
  join.elements.code.value = code[1];
  join.hidden = false;
  document.getElementById("sign-in").hidden = true;
}
