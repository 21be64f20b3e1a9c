package nailbridge.oracle;

import com.google.gson.JsonArray;
import com.google.gson.JsonElement;
import com.google.gson.JsonObject;
import com.google.gson.JsonParseException;
import com.google.gson.JsonParser;
import java.io.IOException;
import java.nio.file.Files;
import java.nio.file.Path;
import java.util.ArrayList;
import java.util.List;
import java.util.Map;
import java.util.stream.Stream;

/**
 * One JSON document to validate: a file, or a line of an NDJSON file.
 *
 * @param name the path, with {@code :LINE} behind it for NDJSON
 * @param text the document as it stands
 * @param json the same as a tree, or null when it is not a JSON object; the validator says what is wrong with it then
 */
record Input(String name, String text, JsonObject json) {

  /** Reads files, and folders with all the .json and .ndjson files below them, in the order of their names. */
  static List<Input> readAll(List<Path> paths) throws IOException, Refusal {
    List<Input> inputs = new ArrayList<>();
    for (Path path : paths) {
      if (Files.isDirectory(path)) {
        try (Stream<Path> below = Files.walk(path)) {
          for (Path file : below.filter(Files::isRegularFile).filter(Input::isJson).sorted().toList()) {
            readFile(file, inputs);
          }
        }
      } else if (isJson(path)) {
        readFile(path, inputs);
      } else {
        throw new Refusal("neither .json nor .ndjson: " + path);
      }
    }
    return inputs;
  }

  private static boolean isJson(Path path) {
    String name = path.toString();
    return name.endsWith(".json") || name.endsWith(".ndjson");
  }

  private static void readFile(Path file, List<Input> inputs) throws IOException {
    String text = Files.readString(file);
    if (!file.toString().endsWith(".ndjson")) {
      inputs.add(of(file.toString(), text));
      return;
    }
    int number = 0;
    for (String line : text.split("\n")) {
      number++;
      if (!line.isBlank()) {
        inputs.add(of(file + ":" + number, line));
      }
    }
  }

  private static Input of(String name, String text) {
    try {
      return new Input(name, text, JsonParser.parseString(text) instanceof JsonObject object ? object : null);
    } catch (JsonParseException e) {
      return new Input(name, text, null);
    }
  }

  /** Type and id, as {@code Procedure/7}; empty where they cannot be read. */
  String resource() {
    return json == null ? "" : member(json, "resourceType") + "/" + member(json, "id");
  }

  /**
   * Adds to counts how many resources of each type the document holds: itself and, for a Bundle, the resource of each
   * entry, which the validator checks with the whole. A document that is no resource adds nothing.
   */
  void countTypes(Map<String, Integer> counts) {
    if (json != null) {
      countTypes(json, counts);
    }
  }

  private static void countTypes(JsonObject resource, Map<String, Integer> counts) {
    String type = member(resource, "resourceType");
    if (type.isEmpty()) {
      return;
    }
    counts.merge(type, 1, Integer::sum);
    if (type.equals("Bundle") && resource.get("entry") instanceof JsonArray entries) {
      for (JsonElement entry : entries) {
        if (entry instanceof JsonObject object && object.get("resource") instanceof JsonObject inner) {
          countTypes(inner, counts);
        }
      }
    }
  }

  /** The text of a primitive member, or an empty string. */
  static String member(JsonObject object, String name) {
    JsonElement value = object.get(name);
    return value != null && value.isJsonPrimitive() ? value.getAsString() : "";
  }
}
