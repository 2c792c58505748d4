/** Small parts of a page. */

export function buttonOf(text, dataset = {}) {
  const button = document.createElement("button");
  button.type = "button";
  button.append(text);
  Object.assign(button.dataset, dataset);
  return button;
}

export function spanOf(className, text = "") {
  const span = document.createElement("span");
  span.className = className;
  span.textContent = text;
  return span;
}

/** A cap with a key's name. The control says its key to assistive technology by `aria-keyshortcuts` instead. */
export function capOf(key) {
  const cap = document.createElement("kbd");
  cap.textContent = key;
  cap.setAttribute("aria-hidden", "true");
  return cap;
}

export function svgOf(name, attributes = {}) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [attribute, value] of Object.entries(attributes)) {
    element.setAttribute(attribute, value);
  }
  return element;
}
