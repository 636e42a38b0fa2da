// Words of a component in the visitor's language: its data bring them, English first.

// A text in the visitor's language, with its values in their places.
export function told(words, text, values = {}) {
  return (words[text] ?? text).replace(/\{(\w+)\}/g, (whole, name) => values[name] ?? whole);
}

const LABELS = ["aria-label", "alt", "placeholder", "title"];

// Every text and label of the component's own HTML: English as it came, told as it is shown.
export function tellIn(root, words) {
  for (const part of [root, ...root.querySelectorAll("*")]) {
    part.english ??= {
      labels: LABELS.filter((name) => part.hasAttribute(name)).map((name) => [name, part.getAttribute(name)]),
      texts: [...part.childNodes].filter((node) => node.nodeType === 3 && words[node.data.trim()] !== undefined)
        .map((node) => [node, node.data]),
    };
    for (const [name, text] of part.english.labels) {
      if (words[text] !== undefined && part.getAttribute(name) !== words[text]) part.setAttribute(name, words[text]);
    }
    for (const [node, text] of part.english.texts) {
      const shown = text.replace(text.trim(), words[text.trim()]);
      if (node.data !== shown) node.data = shown;
    }
  }
}
