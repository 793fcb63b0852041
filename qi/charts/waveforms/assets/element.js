// Elements of the page, made so that text never becomes markup.

/** A new element with a class and text. */
export function element(tag, className, text = "") {
  const made = document.createElement(tag);
  made.className = className;
  made.textContent = text;
  return made;
}

/** A button with what is written on it, what it is called, and what it does. */
export function button(text, name, act, className = "") {
  const made = element("button", className, text);
  made.type = "button";
  made.title = name;
  made.setAttribute("aria-label", name);
  made.addEventListener("click", act);
  return made;
}
