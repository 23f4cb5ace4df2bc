// Elements are made from text only, so that nothing in a name, reason or note can become markup.

type Attributes = Record<string, string | number | boolean | ((event: Event) => void)>;
type Child = Node | string | null;

export function el<K extends keyof HTMLElementTagNameMap>(
  tag: K,
  attributes: Attributes = {},
  ...children: Child[]
): HTMLElementTagNameMap[K] {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (typeof value === "function") element.addEventListener(name, value);
    else if (typeof value === "boolean") element.toggleAttribute(name, value);
    else element.setAttribute(name, String(value));
  }
  element.append(...children.filter((child): child is Node | string => child !== null));
  return element;
}

export function replace(parent: Element, ...children: Child[]): void {
  parent.replaceChildren(...children.filter((child): child is Node | string => child !== null));
}
