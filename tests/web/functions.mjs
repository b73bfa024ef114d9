// Prints the functions of the page's code that are longer than a number of lines.
// Usage: node functions.mjs 60 file.js …

import { readFileSync } from "node:fs";
import ts from "typescript";

const [most, ...files] = process.argv.slice(2);
for (const file of files) {
  const source = ts.createSourceFile(file, readFileSync(file, "utf8"), ts.ScriptTarget.Latest, true);
  const line = (place) => source.getLineAndCharacterOfPosition(place).line + 1;
  const visit = (node) => {
    if (ts.isFunctionLike(node) && node.body) {
      const [first, last] = [line(node.getStart()), line(node.getEnd())];
      const length = last - first + 1;
      if (length > Number(most)) console.log(`${file}:${first} ${node.name?.getText() ?? "(unnamed)"} ${length} lines`);
    }
    ts.forEachChild(node, visit);
  };
  visit(source);
}
